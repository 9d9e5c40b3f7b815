// Package access says who may do what on a network: tokens with a role, kept as hashes
// in a file, and how often somebody may ask, guess or be written about.
//
// A token is 128 bits from the system's random source, so that a plain SHA-256 of it
// cannot be turned back and guessing is hopeless; guesses are slowed all the same, and
// every comparison takes as long whatever was guessed.
package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"sync"
	"time"

	"plumbline/stream/jsonfile"
	"plumbline/stream/wire"
)

// letters of a secret: 32 of them, none that is taken for another one.
const letters = "abcdefghijkmnpqrstuvwxyz23456789"

const (
	secretLetters = 26 // of 5 bits
	nameMax       = 40 // characters
)

// Token is what is kept of one: never the secret itself.
type Token struct {
	Name  string    `json:"name"`
	Role  Role      `json:"role"`
	Added time.Time `json:"added"`
	Hash  string    `json:"sha256"` // of the secret, hex
}

// Tokens are those of this computer's user, in a file. Its methods may be called from
// several goroutines, and by several programs.
type Tokens struct {
	path string

	mu   sync.Mutex
	read os.FileInfo // of the file when it was read; nil: it was not there
	list []Token
}

// Path is where tokens are kept when nothing else is said: beside the user's other settings.
func Path() (string, error) { return jsonfile.Path("tokens.json") }

// OpenTokens reads a file, which need not be there yet.
func OpenTokens(path string) (*Tokens, error) {
	t := &Tokens{path: path}
	_, err := t.List()
	return t, err
}

// List are the tokens now, in the order of adding.
func (t *Tokens) List() ([]Token, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	err := t.refresh()
	return slices.Clone(t.list), err
}

// Add makes a token and returns its secret, which nobody can be told again.
func (t *Tokens) Add(name string, role Role) (secret string, err error) {
	if err := wire.CheckLine("name", "the name of a token", name, nameMax); err != nil {
		return "", err
	}
	if name == "" {
		return "", &wire.Error{Code: "name", Text: "the name of a token is empty: say whose it is"}
	}
	if secret, err = newSecret(); err != nil {
		return "", err
	}
	return secret, t.change(func(list []Token) ([]Token, error) {
		if slices.ContainsFunc(list, func(k Token) bool { return k.Name == name }) {
			return nil, fmt.Errorf("there is a token %q already: remove it first, or take another name", name)
		}
		return append(list, Token{Name: name, Role: role, Added: time.Now().UTC().Truncate(time.Second), Hash: hashed(secret)}), nil
	})
}

// Remove ends a token, also in daemons that run.
func (t *Tokens) Remove(name string) error {
	return t.change(func(list []Token) ([]Token, error) {
		i := slices.IndexFunc(list, func(k Token) bool { return k.Name == name })
		if i < 0 {
			return nil, fmt.Errorf("there is no token %q: plumbline token list names them", name)
		}
		return slices.Delete(list, i, i+1), nil
	})
}

// find looks for the token with that hash, in a time that does not tell how near it was.
func find(list []Token, hash string) (Token, bool) {
	var found Token
	ok := 0
	for _, k := range list {
		same := subtle.ConstantTimeCompare([]byte(k.Hash), []byte(hash))
		if same == 1 {
			found = k
		}
		ok |= same
	}
	return found, ok == 1
}

// change replaces the file, also for daemons that run.
func (t *Tokens) change(edit func([]Token) ([]Token, error)) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.kept().Change(func(f *file) (err error) {
		f.Tokens, err = edit(f.Tokens)
		return err
	}); err != nil {
		return err
	}
	return t.refresh()
}

func (t *Tokens) kept() jsonfile.File[file] {
	return jsonfile.File[file]{Path: t.path, Cure: "remove it and add the tokens again", Check: func(f *file) error {
		for _, k := range f.Tokens {
			if _, err := ParseRole(string(k.Role)); err != nil {
				return err
			}
		}
		return nil
	}}
}

// file is what is in the file.
type file struct {
	Tokens []Token `json:"tokens"`
}

// refresh reads the file if it is another one than was read. What cannot be read gives
// nobody access. mu is held.
func (t *Tokens) refresh() error {
	info, err := os.Stat(t.path)
	if errors.Is(err, fs.ErrNotExist) {
		t.read, t.list = nil, nil
		return nil
	}
	if err == nil && t.read != nil && os.SameFile(info, t.read) && info.ModTime().Equal(t.read.ModTime()) && info.Size() == t.read.Size() {
		return nil
	}
	t.read, t.list = nil, nil
	var f file
	if err == nil {
		f, err = t.kept().Read()
	}
	if err != nil {
		return fmt.Errorf("read the tokens: %w", err)
	}
	t.read, t.list = info, f.Tokens
	return nil
}

func newSecret() (string, error) {
	b := make([]byte, secretLetters)
	if _, err := rand.Read(b); err != nil {
		return "", err
	}
	for i := range b {
		b[i] = letters[b[i]%byte(len(letters))] // 256 is a multiple of 32
	}
	return string(b), nil
}

func hashed(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}
