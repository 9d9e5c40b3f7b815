package rig

import "fmt"

const (
	// maxFile is ten times what the largest scene needs, bytes.
	maxFile = 256 << 10
	// maxDepth is how deep arrays, tables and the parts of a key may nest; a scene
	// needs four.
	maxDepth = 8
)

// checkShape refuses a text that nests deeper than any scene does, before the
// decoder sees it: that keeps the whole path of every key, so that its memory
// grows with the square of the depth. What is no TOML at all is left to the
// decoder. Strings and comments are those of TOML 1.0.0.
func checkShape(text string) error {
	if len(text) > maxFile {
		return fmt.Errorf("the scene has %d bytes: at most %d are read", len(text), maxFile)
	}
	line, depth, parts := 1, 0, 0
	for i := 0; i < len(text); {
		switch c := text[i]; c {
		case '\n':
			line++
			parts = 0
		case '#':
			for i < len(text) && text[i] != '\n' {
				i++
			}
			continue
		case '"', '\'':
			end := stringEnd(text, i)
			for _, r := range text[i:end] {
				if r == '\n' {
					line++
				}
			}
			i = end
			continue
		case '[', '{':
			depth++
			parts = 0
		case ']', '}':
			depth--
			parts = 0
		case '=', ',':
			parts = 0
		case '.':
			parts++
		}
		if depth > maxDepth || parts > maxDepth {
			return fmt.Errorf("line %d nests more than %d deep: no scene does", line, maxDepth)
		}
		i++
	}
	return nil
}

// stringEnd is behind the string that begins at i, or the end of its line if
// nothing ends it.
func stringEnd(text string, i int) int {
	quote := text[i]
	long := len(text) >= i+3 && text[i+1] == quote && text[i+2] == quote
	from := i + 1
	if long {
		from = i + 3
	}
	for j := from; j < len(text); j++ {
		switch {
		case text[j] == '\\' && quote == '"':
			j++
		case text[j] == '\n' && !long:
			return j
		case text[j] == quote && !long:
			return j + 1
		case text[j] == quote && long && len(text) >= j+3 && text[j+1] == quote && text[j+2] == quote:
			return j + 3
		}
	}
	return len(text)
}
