// Package network is what a daemon has towards other machines: the addresses it can be
// reached at, tokens, encryption, and what the terminal says of all that. It begins
// where the listener is no loopback; towards this computer it does nothing but encrypt,
// if that is asked for.
package network

import (
	"crypto/sha256"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"

	"plumbline/stream"
	"plumbline/stream/access"
)

// Config of a Front.
type Config struct {
	// TLS is "", "auto" for an own certificate, or "CERT,KEY", two PEM files.
	TLS string
	// Hosts are further names that clients may call this computer by.
	Hosts []string
	// Link is the role that the link on the terminal gives; empty: there is none.
	Link access.Role
	// Tokens is the file of tokens; empty: the user's own. An own certificate is kept
	// beside it.
	Tokens string
}

// Front is how others reach a daemon.
type Front struct {
	Listener net.Listener
	Gate     *access.Gate // nil: only this computer reaches it, and nobody is asked
	Hosts    []string

	scheme      string
	hosts       []string // HOST:PORT to reach it at, the best one first
	link        string   // secret; empty: none
	role        access.Role
	tokens      int    // that are kept
	fingerprint string // of the certificate; empty: plain HTTP
	own         bool   // the certificate is of our own making
	fresh       bool   // and was made just now
}

// Open prepares a listener for whoever can reach it.
func Open(l net.Listener, cfg Config) (*Front, error) {
	f := &Front{Listener: l, scheme: "http", role: cfg.Link}
	open := !stream.Loopback(l)
	f.hosts = reachable(l)
	if cfg.Tokens == "" && (open || cfg.TLS != "") {
		var err error
		if cfg.Tokens, err = access.Path(); err != nil {
			return nil, err
		}
	}
	if err := f.encrypt(cfg); err != nil || !open {
		return f, err
	}
	f.Hosts = append(f.Hosts, cfg.Hosts...)
	if name, err := os.Hostname(); err == nil {
		f.Hosts = append(f.Hosts, name, name+".local")
	}
	tokens, err := access.OpenTokens(cfg.Tokens)
	if err != nil {
		return nil, err
	}
	list, err := tokens.List()
	if err != nil {
		return nil, err
	}
	f.tokens, f.Gate = len(list), access.NewGate(tokens)
	if cfg.Link != "" {
		f.link, err = f.Gate.Lend("link on the terminal", cfg.Link)
	}
	return f, err
}

// encrypt puts TLS around the listener, if that is asked for.
func (f *Front) encrypt(cfg Config) error {
	if cfg.TLS == "" {
		return nil
	}
	var certificate tls.Certificate
	var err error
	if cfg.TLS == "auto" {
		f.own = true
		certificate, f.fresh, err = ownCertificate(filepath.Dir(cfg.Tokens))
	} else {
		certificate, err = load(cfg.TLS)
	}
	if err != nil {
		return err
	}
	sum := sha256.Sum256(certificate.Certificate[0])
	f.fingerprint = strings.ReplaceAll(fmt.Sprintf("% X", sum[:]), " ", ":")
	if !f.own {
		for _, name := range certificate.Leaf.DNSNames {
			if !strings.HasPrefix(name, "*") {
				f.Hosts = append(f.Hosts, name)
			}
		}
	}
	f.scheme = "https"
	f.Listener = tls.NewListener(f.Listener, &tls.Config{Certificates: []tls.Certificate{certificate}, MinVersion: tls.VersionTLS12})
	return nil
}

// URL is where it can be reached best.
func (f *Front) URL() string { return f.scheme + "://" + f.hosts[0] }

// Say tells the terminal how others come in, and who can read along. colour: it shows
// colours, which a code is read better in.
func (f *Front) Say(w io.Writer, colour bool) error {
	var b strings.Builder
	if f.fingerprint != "" {
		fmt.Fprintf(&b, "Certificate, SHA-256: %s\n", f.fingerprint)
	}
	if f.own {
		made := "made before on this computer"
		if f.fresh {
			made = "made just now"
		}
		fmt.Fprintf(&b, "It is our own, %s: browsers warn once. Go on only if they show this fingerprint.\n", made)
	}
	if f.Gate != nil {
		f.sayNetwork(&b, colour)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (f *Front) sayNetwork(b *strings.Builder, colour bool) {
	for _, host := range f.hosts[1:] {
		fmt.Fprintf(b, "Also at %s://%s\n", f.scheme, host)
	}
	if f.link != "" {
		link := f.URL() + "/?token=" + f.link
		fmt.Fprintf(b, "On a phone scan this, or open %s\n", link)
		b.WriteString(drawCode(link, colour))
		fmt.Fprintf(b, "Who opens it may %s until this plumbline ends. To others give a token: plumbline token add NAME\n", may(f.role))
	} else {
		fmt.Fprintf(b, "Who connects needs a token (%d known): plumbline token add NAME makes one; open %s/?token= with it behind.\n", f.tokens, f.URL())
	}
	if f.fingerprint == "" {
		b.WriteString("Not encrypted: whoever shares this network can read along, what is measured and the tokens too. --tls auto encrypts.\n")
	}
}

func may(r access.Role) string {
	if r == access.Operator {
		return "see and operate all"
	}
	return "see all and change nothing"
}
