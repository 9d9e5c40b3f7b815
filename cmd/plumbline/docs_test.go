package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"plumbline/capture/rig"
)

// The scene that the document shows is one.
func TestDocumentedSceneIsAScene(t *testing.T) {
	doc, err := os.ReadFile("docs/scene.md")
	if err != nil {
		t.Fatal(err)
	}
	block := regexp.MustCompile("(?s)```toml\n(.*?)```").FindSubmatch(doc)
	if block == nil {
		t.Fatal("no example")
	}
	path := filepath.Join(t.TempDir(), "scene.toml")
	if err := os.WriteFile(path, block[1], 0o600); err != nil {
		t.Fatal(err)
	}
	scene, err := loadScene(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rig.New(scene, rig.Config{}); err != nil {
		t.Error(err)
	}
}

// Every link of the README and its documents leads to something here.
func TestLinksOfDocuments(t *testing.T) {
	files, err := filepath.Glob("docs/*.md")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	link := regexp.MustCompile(`\]\(([^)#]+)\)`)
	for _, file := range append(files, "../../README.md", "../../DEVELOPERS.md") {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range link.FindAllStringSubmatch(string(text), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			if _, err := os.Stat(filepath.Join(filepath.Dir(file), m[1])); err != nil {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
}
