package network

import (
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rsc.io/qr"

	"plumbline/capture/leak"
	"plumbline/stream/access"
)

func TestMain(m *testing.M) { leak.Strict(m) }

func listener(t *testing.T, addr string) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func said(t *testing.T, f *Front) string {
	t.Helper()
	var b strings.Builder
	if err := f.Say(&b, false); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Towards this computer nothing is asked, said or written.
func TestLoopbackIsAsItWas(t *testing.T) {
	tokens := filepath.Join(t.TempDir(), "kept", "tokens.json")
	f, err := Open(listener(t, "127.0.0.1:0"), Config{Link: access.Operator, Tokens: tokens})
	if err != nil || f.Gate != nil || said(t, f) != "" || !strings.HasPrefix(f.URL(), "http://127.0.0.1:") {
		t.Errorf("%+v, %v", f, err)
	}
	if _, err := os.Stat(filepath.Dir(tokens)); err == nil {
		t.Error("it left a folder")
	}
}

// The terminal shows where to, as whom, and who reads along; a link's token is known and
// a file has none.
func TestTerminalShowsHowToComeIn(t *testing.T) {
	for role, words := range map[access.Role]string{access.Operator: "see and operate all", access.Viewer: "see all and change nothing"} {
		f, err := Open(listener(t, "0.0.0.0:0"), Config{Link: role, Tokens: filepath.Join(t.TempDir(), "tokens.json"), Hosts: []string{"mixer"}})
		if err != nil {
			t.Fatal(err)
		}
		text := said(t, f)
		_, rest, ok := strings.Cut(text, f.URL()+"/?token=")
		secret, _, _ := strings.Cut(rest, "\n")
		who, known, err := f.Gate.Know(secret)
		if !ok || !known || err != nil || who.Role != role || !strings.Contains(text, words) || !strings.Contains(text, "can read along") || !strings.Contains(text, drawCode(f.URL()+"/?token="+secret, false)) {
			t.Errorf("%s: %+v of %s", role, who, text)
		}
		if f.Hosts[0] != "mixer" || strings.Contains(f.URL(), "0.0.0.0") || strings.Contains(f.URL(), "[::]") {
			t.Errorf("hosts %v, %s", f.Hosts, f.URL())
		}
	}
	f, err := Open(listener(t, "0.0.0.0:0"), Config{Tokens: filepath.Join(t.TempDir(), "tokens.json")})
	if err != nil {
		t.Fatal(err)
	}
	if text := said(t, f); strings.Contains(text, "█") || !strings.Contains(text, "0 known") || !strings.Contains(text, "token add") {
		t.Errorf("without a link: %s", text)
	}
}

// A damaged file of tokens is no open door, and no reason to make another.
func TestDamagedTokens(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tokens.json")
	if err := os.WriteFile(path, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(listener(t, "0.0.0.0:0"), Config{Tokens: path}); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Error(err)
	}
}

// The picture of a code is the code, two modules above each other a character, with the
// quiet zone of ISO/IEC 18004 about it.
func TestPictureOfACode(t *testing.T) {
	const text = "https://192.0.2.7:8737/?token=abcdefghijkmnpqrstuvwxyz23"
	code, err := qr.Encode(text, qr.L)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(drawCode(text, false), "\n"), "\n")
	dark := func(x, y int) bool {
		cell := []rune(lines[y/2])[x]
		return cell == ' ' || cell == '▄' && y%2 == 0 || cell == '▀' && y%2 == 1
	}
	size := code.Size + 8
	if len(lines) != (size+1)/2 {
		t.Fatalf("%d lines for %d modules", len(lines), size)
	}
	for y := range size {
		for x := range size {
			inside := x >= 4 && y >= 4 && x < size-4 && y < size-4
			if want := inside && code.Black(x-4, y-4); dark(x, y) != want {
				t.Fatalf("module %d, %d is dark: %v", x, y, !want)
			}
		}
	}
	if size > 80 {
		t.Errorf("%d columns are too wide for a terminal", size)
	}
	if coloured := drawCode(text, true); strings.ReplaceAll(strings.ReplaceAll(coloured, codeColours, ""), plain, "") != drawCode(text, false) {
		t.Error("colours change the picture")
	}
}

// The own certificate is made once, its key is nobody else's to read, and it has the
// names and addresses of this computer.
func TestOwnCertificate(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "kept")
	first, fresh, err := ownCertificate(folder)
	if err != nil || !fresh {
		t.Fatal(fresh, err)
	}
	path := filepath.Join(folder, "certificate.pem")
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Error(info, err)
	}
	again, fresh, err := ownCertificate(folder)
	if err != nil || fresh || !again.Leaf.Equal(first.Leaf) {
		t.Errorf("a second time it is fresh: %v, %v", fresh, err)
	}
	for _, name := range []string{"localhost", "127.0.0.1"} {
		if err := first.Leaf.VerifyHostname(name); err != nil {
			t.Error(err)
		}
	}
	if days := first.Leaf.NotAfter.Sub(first.Leaf.NotBefore).Hours() / 24; days > 825 {
		t.Errorf("valid for %v days, which browsers refuse", days)
	}
	// One that ends soon is replaced.
	old, err := makeCertificate(time.Now().Add(-validFor + renewAt - time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, old, 0o600); err != nil {
		t.Fatal(err)
	}
	if next, fresh, err := ownCertificate(folder); err != nil || !fresh || time.Until(next.Leaf.NotAfter) < validFor-time.Hour {
		t.Errorf("fresh %v, %v", fresh, err)
	}
	if err := os.WriteFile(path, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := ownCertificate(folder); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Error(err)
	}
}

// Whoever shakes hands is shown the certificate of the fingerprint; own files do as well,
// and their names are names of this computer.
func TestEncrypted(t *testing.T) {
	folder := t.TempDir()
	f, err := Open(listener(t, "0.0.0.0:0"), Config{TLS: "auto", Tokens: filepath.Join(folder, "tokens.json")})
	if err != nil {
		t.Fatal(err)
	}
	if text := said(t, f); !strings.HasPrefix(f.URL(), "https://") || strings.Contains(text, "read along") || !strings.Contains(text, f.fingerprint) || !strings.Contains(text, "made just now") {
		t.Errorf("%s says %s", f.URL(), text)
	}
	accepted := make(chan error, 1)
	go func() {
		c, err := f.Listener.Accept()
		if err == nil {
			err = c.(*tls.Conn).Handshake()
			c.Close()
		}
		accepted <- err
	}()
	c, err := tls.Dial("tcp", f.hosts[0], &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := <-accepted; err != nil {
		t.Error(err)
	}
	sum := sha256.Sum256(c.ConnectionState().PeerCertificates[0].Raw)
	if got := strings.ReplaceAll(f.fingerprint, ":", ""); got != strings.ToUpper(hex.EncodeToString(sum[:])) {
		t.Errorf("shown is %s, presented %x", got, sum)
	}
	pem := filepath.Join(folder, "certificate.pem")
	own, err := Open(listener(t, "0.0.0.0:0"), Config{TLS: pem + "," + pem, Tokens: filepath.Join(folder, "tokens.json")})
	if err != nil || own.fingerprint != f.fingerprint || own.Hosts[0] != "localhost" || strings.Contains(said(t, own), "our own") {
		t.Errorf("%+v, %v", own, err)
	}
	for _, bad := range []string{"on", "a.pem", "a.pem,b.pem", ",", pem + ","} {
		if _, err := Open(listener(t, "127.0.0.1:0"), Config{TLS: bad, Tokens: filepath.Join(folder, "tokens.json")}); err == nil || !strings.Contains(err.Error(), "--tls") {
			t.Errorf("--tls %s: %v", bad, err)
		}
	}
}
