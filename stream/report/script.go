package report

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"html/template"
	"io/fs"
	"path"
	"regexp"
	"strings"
)

// Script is what draws the plots of a report: the pages' own module report.js and all
// that it imports, as one script without imports. The zero Script draws nothing.
type Script struct {
	Text template.JS
	// Source allows it in a Content-Security-Policy, as script-src (W3C, CSP Level 3).
	Source string
}

var (
	importing = regexp.MustCompile(`(?m)^import \{([^}]*)\} from '([^']+)';\n`)
	exporting = regexp.MustCompile(`(?m)^export ((?:const|let|function|class) ([A-Za-z_$][\w$]*))`)
	leftOver  = regexp.MustCompile(`(?m)^(?:import|export)\b.*`)
)

// Join makes the script out of the front end. Each module becomes a function of its own,
// so that what two of them call alike stays apart.
func Join(ui fs.FS) (Script, error) {
	j := joiner{ui: ui, known: map[string]bool{}}
	j.WriteString("const modules = {};\n")
	if err := j.add("report.js", nil); err != nil {
		return Script{}, fmt.Errorf("join the report's script: %w", err)
	}
	text := j.String()
	sum := sha256.Sum256([]byte(text))
	return Script{template.JS(text), "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"}, nil
}

type joiner struct {
	strings.Builder
	ui    fs.FS
	known map[string]bool
}

// add writes a module behind those that it imports; on is the way to it.
func (j *joiner) add(name string, on []string) error {
	for _, n := range on {
		if n == name {
			return fmt.Errorf("%s imports itself by way of %s", name, strings.Join(on, ", "))
		}
	}
	if j.known[name] {
		return nil
	}
	data, err := fs.ReadFile(j.ui, name)
	if err != nil {
		return err
	}
	// No end of line of another system may change what the hash is of.
	body := strings.ReplaceAll(string(data), "\r\n", "\n")
	for _, m := range importing.FindAllStringSubmatch(body, -1) {
		if err := j.add(path.Join(path.Dir(name), m[2]), append(on, name)); err != nil {
			return err
		}
	}
	body = importing.ReplaceAllStringFunc(body, func(s string) string {
		m := importing.FindStringSubmatch(s)
		return fmt.Sprintf("const {%s} = modules['%s'];\n", strings.ReplaceAll(m[1], " as ", ": "), path.Join(path.Dir(name), m[2]))
	})
	var exports []string
	for _, m := range exporting.FindAllStringSubmatch(body, -1) {
		exports = append(exports, m[2])
	}
	body = exporting.ReplaceAllString(body, "$1")
	if s := leftOver.FindString(body); s != "" {
		return fmt.Errorf("%s: %q is in no form that can be joined", name, s)
	}
	fmt.Fprintf(j, "modules['%s'] = (() => {\n%sreturn { %s };\n})();\n", name, body, strings.Join(exports, ", "))
	j.known[name] = true
	return nil
}
