package access

import (
	"fmt"
	"net/netip"
	"time"
)

// Who is somebody whose token is known.
type Who struct {
	Name string
	Role Role
	hash string
}

// Gate lets in who has a token. Its methods may be called from several goroutines.
type Gate struct {
	tokens *Tokens
	run    []Token // of this run alone, in no file
	wrong  *Tally
}

// free wrong tokens from an address cost no time: fingers slip, and old cookies come back.
const (
	free       = 5
	firstHold  = 100 * time.Millisecond
	longHold   = 3 * time.Second
	forgetting = 1.0 / 20 // wrong tokens a second
)

// NewGate takes the tokens of a file.
func NewGate(tokens *Tokens) *Gate {
	return &Gate{tokens: tokens, wrong: NewTally(forgetting)}
}

// Lend makes a token for as long as this program runs. Call it before the gate is used.
func (g *Gate) Lend(name string, role Role) (secret string, err error) {
	if secret, err = newSecret(); err != nil {
		return "", fmt.Errorf("make a token: %w", err)
	}
	g.run = append(g.run, Token{Name: name, Role: role, Hash: hashed(secret)})
	return secret, nil
}

// Know says whose token this is. It takes as long for any wrong one. The error says why
// the file of tokens could not be read; then only those of this run are known.
func (g *Gate) Know(secret string) (who Who, known bool, err error) {
	return g.find(hashed(secret))
}

// Still says whether somebody's token has not been removed meanwhile.
func (g *Gate) Still(w Who) bool {
	_, known, _ := g.find(w.hash)
	return known
}

func (g *Gate) find(hash string) (Who, bool, error) {
	list, err := g.tokens.List()
	k, ok := find(append(list, g.run...), hash)
	if !ok {
		return Who{}, false, err
	}
	return Who{Name: k.Name, Role: k.Role, hash: k.Hash}, true, nil
}

// Wrong counts a wrong token from an address and says how long its answer is to be held
// back. Right ones are never held, from whatever address.
func (g *Gate) Wrong(from netip.Addr) time.Duration {
	over := g.wrong.Add(from) - free
	hold := time.Duration(0)
	for n := 0.0; n < over && hold < longHold; n++ {
		hold = max(firstHold, 2*hold)
	}
	return min(hold, longHold)
}
