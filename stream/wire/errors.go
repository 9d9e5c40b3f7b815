package wire

import (
	"fmt"
	"strings"
)

// Error is a refusal an operator can act on. The HTTP API sends it as
// {"error":{"code","text"}}.
type Error struct {
	Code   string `json:"code"` // stable word for programs
	Text   string `json:"text"` // one sentence for people: what is wrong and what to do
	Status int    `json:"-"`    // HTTP status; 0 is 422
	Cause  error  `json:"-"`    // what lay beneath, for the log
}

// Error is the sentence.
func (e *Error) Error() string { return e.Text }

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Cause }

// ErrorBody is the JSON object around an Error.
type ErrorBody struct {
	Error Error `json:"error"`
}

func refuse(code, format string, args ...any) *Error {
	return &Error{Code: code, Text: fmt.Sprintf(format, args...)}
}

// isUnknownField: encoding/json has no type for it.
func isUnknownField(err error) bool { return strings.HasPrefix(err.Error(), "json: unknown field") }
