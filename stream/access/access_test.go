package access

import (
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture/leak"
)

func TestMain(m *testing.M) { leak.Strict(m) }

func tokens(t *testing.T) (*Tokens, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "plumbline", "tokens.json")
	k, err := OpenTokens(path)
	if err != nil {
		t.Fatal(err)
	}
	return k, path
}

func add(t *testing.T, k *Tokens, name string, role Role) string {
	t.Helper()
	secret, err := k.Add(name, role)
	if err != nil {
		t.Fatal(err)
	}
	return secret
}

// The file has hashes and nobody else may read it; who runs already knows at once who
// was added and who was removed by another program.
func TestTokensAreKeptHashedAndReadAnew(t *testing.T) {
	k, path := tokens(t)
	other, err := OpenTokens(path)
	if err != nil {
		t.Fatal(err)
	}
	gate := NewGate(other)
	secret := add(t, k, "front of house", Operator)
	text, err := os.ReadFile(path)
	if err != nil || strings.Contains(string(text), secret) || !strings.Contains(string(text), hashed(secret)) {
		t.Errorf("kept is %s, %v", text, err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if info, err := os.Stat(filepath.Dir(path)); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("mode of the folder %v, %v", info.Mode(), err)
	}
	who, known, err := gate.Know(secret)
	if !known || err != nil || who.Name != "front of house" || who.Role != Operator {
		t.Errorf("%+v %v %v", who, known, err)
	}
	for _, wrong := range []string{"", secret[1:], secret + "a", strings.ToUpper(secret), hashed(secret)} {
		if who, known, _ := gate.Know(wrong); known {
			t.Errorf("%q is %+v", wrong, who)
		}
	}
	if err := k.Remove("front of house"); err != nil {
		t.Fatal(err)
	}
	if _, known, _ := gate.Know(secret); known || gate.Still(who) {
		t.Error("a token that was removed is known")
	}
}

func TestTokensRefuse(t *testing.T) {
	k, path := tokens(t)
	add(t, k, "a", Viewer)
	for name, want := range map[string]string{"a": "already", "": "empty", "b\x1b[2J": "control", strings.Repeat("x", 41): "40"} {
		if _, err := k.Add(name, Viewer); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", name, err, want)
		}
	}
	if err := k.Remove("b"); err == nil || !strings.Contains(err.Error(), "token list") {
		t.Error(err)
	}
	if list, err := k.List(); err != nil || len(list) != 1 {
		t.Error(list, err)
	}
	if _, err := os.Stat(path + ".lock"); err == nil {
		t.Error("a refusal left its lock")
	}
	for _, bad := range []string{"{", `{"tokens":[{"name":"a","role":"king","sha256":"` + hashed("x") + `"}]}`} {
		if err := os.WriteFile(path, []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := k.Add("c", Viewer); err == nil || !strings.Contains(err.Error(), "damaged") {
			t.Errorf("%s: %v", bad, err)
		}
		if _, known, err := NewGate(k).Know("x"); known || err == nil {
			t.Errorf("%s: known %v, %v", bad, known, err)
		}
		if text, err := os.ReadFile(path); err != nil || string(text) != bad {
			t.Errorf("a damaged file was replaced by %s, %v", text, err)
		}
	}
}

// Programs that add at the same moment lose none: each has its token in, or is told.
func TestTokensOfManyAtOnce(t *testing.T) {
	_, path := tokens(t)
	var wg sync.WaitGroup
	var mu sync.Mutex
	added := map[string]bool{}
	for _, name := range strings.Split("a b c d e f g h", " ") {
		wg.Go(func() {
			k := &Tokens{path: path}
			for {
				_, err := k.Add(name, Viewer)
				if err != nil && strings.Contains(err.Error(), "another plumbline") {
					continue
				}
				if err != nil {
					t.Error(err)
				}
				break
			}
			mu.Lock()
			added[name] = true
			mu.Unlock()
		})
	}
	wg.Wait()
	list, err := (&Tokens{path: path}).List()
	if err != nil || len(list) != len(added) || len(list) != 8 {
		t.Errorf("%d of 8 are kept, %v", len(list), err)
	}
}

func TestRoles(t *testing.T) {
	for _, c := range []struct {
		has, needed Role
		may         bool
	}{
		{Operator, Operator, true}, {Operator, Viewer, true}, {Viewer, Viewer, true},
		{Viewer, Operator, false}, {Viewer, "", false}, {"", Viewer, false}, {"", Operator, false}, {"", "", false}, {"king", Viewer, false},
	} {
		if c.has.May(c.needed) != c.may {
			t.Errorf("%q for %q: %v", c.has, c.needed, !c.may)
		}
	}
}

// Five wrong tokens cost nothing, the next ones ever more up to 3 s, each 20 s without
// one less; other addresses pay nothing, and neighbours of an IPv6 network together.
func TestGuessesAreSlowedByAddress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := NewGate(&Tokens{path: filepath.Join(t.TempDir(), "none.json")})
		here, there := netip.MustParseAddr("192.0.2.1"), netip.MustParseAddr("192.0.2.2")
		ms := time.Millisecond
		for i, want := range []time.Duration{0, 0, 0, 0, 0, 100 * ms, 200 * ms, 400 * ms, 800 * ms, 1600 * ms, 3000 * ms, 3000 * ms} {
			if got := g.Wrong(here); got != want {
				t.Errorf("guess %d is held for %v, want %v", i+1, got, want)
			}
		}
		if got := g.Wrong(there); got != 0 {
			t.Errorf("another address is held for %v", got)
		}
		time.Sleep(20 * 7 * time.Second) // 12 less 7 are 5
		if got := g.Wrong(netip.MustParseAddr("::ffff:192.0.2.1")); got != 100*ms {
			t.Errorf("after 140 s it is held for %v", got)
		}
		for i := range 6 {
			g.Wrong(netip.MustParseAddr("2001:db8::" + string(rune('1'+i))))
		}
		if got := g.Wrong(netip.MustParseAddr("2001:db8::abc")); got != 200*ms {
			t.Errorf("a neighbour is held for %v", got)
		}
	})
}

// However many addresses ask, the memory that counts them is bounded, and who is new is
// counted all the same.
func TestTallyIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := NewTally(1)
		a := netip.MustParseAddr("10.0.0.0")
		for range mostAddresses + 1000 {
			k.Add(a)
			a = a.Next()
		}
		if len(k.of) > mostAddresses+1 {
			t.Errorf("%d addresses are kept", len(k.of))
		}
		if n := k.Add(a); n != 1001 {
			t.Errorf("further addresses have %v together", n)
		}
		time.Sleep(time.Hour)
		if n := k.Add(a); n != 1 || len(k.of) != 1 {
			t.Errorf("an hour later one has %v among %d", n, len(k.of))
		}
	})
}

func TestTallyUnder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := NewTally(2)
		a := netip.MustParseAddr("192.0.2.1")
		for i := range 4 {
			if got := k.Under(a, 3); got != (i < 3) {
				t.Errorf("%d: %v", i, got)
			}
		}
		time.Sleep(500 * time.Millisecond)
		if !k.Under(a, 3) || k.Under(a, 3) {
			t.Error("half a second gives one back")
		}
	})
}
