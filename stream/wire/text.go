package wire

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// CheckLine refuses a text from outside that is not one line of plain text of at
// most that many characters. what names it, such as "the name of a seat". Every
// name that enters goes through here or through CheckText.
func CheckLine(code, what, text string, most int) error {
	switch {
	case !utf8.ValidString(text) || strings.ContainsFunc(text, notPlain):
		return refuse(code, "%s must be plain text on one line, without control characters", what)
	case utf8.RuneCountInString(text) > most:
		return refuse(code, "%s has at most %d characters", what, most)
	}
	return nil
}

// CheckText is CheckLine for several lines, of at most that many bytes.
func CheckText(code, what, text string, most int) error {
	plain := strings.NewReplacer("\r\n", "", "\n", "", "\t", "").Replace(text)
	if len(text) > most || !utf8.ValidString(text) || strings.ContainsFunc(plain, notPlain) {
		return refuse(code, "%s must be plain text of at most %d bytes, without control characters", what, most)
	}
	return nil
}

// notPlain are characters that do something to what is around them: controls,
// separators of lines, and those that turn the direction of writing (Unicode
// Standard Annex 9).
func notPlain(r rune) bool {
	return unicode.In(r, unicode.Cc, unicode.Zl, unicode.Zp) || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}
