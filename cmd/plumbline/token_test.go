package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Tokens are added, listed without what is secret, and removed.
func TestTokenCommands(t *testing.T) {
	folder := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", folder)
	if out := must(t, "token", "list"); !strings.Contains(out, "No tokens") {
		t.Error(out)
	}
	var made struct{ Name, Role, Token string }
	if err := json.Unmarshal([]byte(must(t, "token", "add", "Ada's phone", "--role", "operator", "--json")), &made); err != nil || made.Name != "Ada's phone" || made.Role != "operator" || len(made.Token) != 26 {
		t.Errorf("%+v, %v", made, err)
	}
	plain := must(t, "token", "add", "screen")
	var list struct{ Tokens []map[string]string }
	text := must(t, "token", "list", "--json")
	if err := json.Unmarshal([]byte(text), &list); err != nil || len(list.Tokens) != 2 || list.Tokens[1]["role"] != "viewer" || strings.Contains(text, made.Token) || strings.Contains(text, strings.Fields(plain)[0]) {
		t.Errorf("%s, %v", text, err)
	}
	if o := plumbline(t, "token", "add", "screen"); o.code != exitBadInput || !oneLineWith(o.stderr, "already") {
		t.Errorf("twice: %+v", o)
	}
	must(t, "token", "remove", "screen")
	if o := plumbline(t, "token", "remove", "screen"); o.code != exitBadInput || !oneLineWith(o.stderr, "token list") {
		t.Errorf("removed twice: %+v", o)
	}
	if out := must(t, "token", "list"); !strings.Contains(out, "Ada's phone  operator") || strings.Contains(out, "screen") {
		t.Error(out)
	}
	if o := plumbline(t, "__complete", "token", "remove", ""); !strings.Contains(o.stdout, "Ada's phone") {
		t.Errorf("completed to %q", o.stdout)
	}
	kept, err := os.ReadFile(filepath.Join(folder, "plumbline", "tokens.json"))
	if err != nil || strings.Contains(string(kept), made.Token) {
		t.Errorf("kept is %s, %v", kept, err)
	}
}

// follow comes in with a token over TLS, if the certificate is that of the fingerprint.
func TestFollowOverTLS(t *testing.T) {
	n := startOnNetwork(t, "--empty", "--tls", "auto")
	if !strings.HasPrefix(n.url, "https://") {
		t.Fatal(n.url)
	}
	follow := func(args ...string) outcome {
		return plumbline(t, append([]string{"follow", n.url, "--frames", "1"}, args...)...)
	}
	if o := follow("--token", n.viewer); o.code != exitBadInput || !oneLineWith(o.stderr, "--fingerprint") {
		t.Errorf("a certificate of nobody: %+v", o)
	}
	if o := follow("--token", n.viewer, "--fingerprint", strings.Repeat("AB:", 31)+"AB"); o.code != exitBadInput || !oneLineWith(o.stderr, "another certificate") {
		t.Errorf("another one: %+v", o)
	}
	if o := follow("--fingerprint", "AB"); o.code != exitBadInput || !oneLineWith(o.stderr, "32 bytes") {
		t.Errorf("no fingerprint: %+v", o)
	}
	var found []string
	eventually(t, "the fingerprint", func() bool {
		found = regexp.MustCompile(`SHA-256: (\S+)`).FindStringSubmatch(n.said())
		return found != nil
	})
	if o := follow("--fingerprint", found[1]); o.code != exitBadInput || !oneLineWith(o.stderr, "token") {
		t.Errorf("without a token: %+v", o)
	}
	if o := follow("--fingerprint", found[1], "--token", n.viewer); o.code != exitDone || !strings.HasPrefix(o.stdout, `{"time":`) {
		t.Errorf("exit status %d, %.200s, %s", o.code, o.stdout, o.stderr)
	}
}
