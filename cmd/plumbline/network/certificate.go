package network

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// An own certificate is valid as long as the strictest browsers allow, and a new one,
// with another fingerprint, takes its place before it ends.
const (
	validFor = 820 * 24 * time.Hour
	renewAt  = 30 * 24 * time.Hour
)

// load reads the certificate and the key of "CERT,KEY".
func load(files string) (tls.Certificate, error) {
	cert, key, ok := strings.Cut(files, ",")
	if !ok || cert == "" || key == "" {
		return tls.Certificate{}, fmt.Errorf("--tls wants auto, or the files of a certificate and of its key with a comma between, not %q", files)
	}
	c, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		return c, fmt.Errorf("--tls %s: %w: both are PEM files, the certificate's with those above it", files, err)
	}
	return c, nil
}

// ownCertificate is the one that was made on first use. One file holds it and its key,
// so that they cannot part.
func ownCertificate(folder string) (c tls.Certificate, fresh bool, err error) {
	path := filepath.Join(folder, "certificate.pem")
	c, err = tls.LoadX509KeyPair(path, path)
	switch {
	case err == nil && time.Until(c.Leaf.NotAfter) > renewAt:
		return c, false, nil
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return c, false, fmt.Errorf("%s is damaged: remove it, and another certificate is made (%w)", path, err)
	}
	data, err := makeCertificate(time.Now())
	if err != nil {
		return c, false, fmt.Errorf("make a certificate: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return c, false, fmt.Errorf("keep the certificate: %w", err)
	}
	next := path + ".new"
	if err := os.WriteFile(next, data, 0o600); err != nil {
		return c, false, fmt.Errorf("keep the certificate: %w", err)
	}
	if err := os.Rename(next, path); err != nil {
		return c, false, fmt.Errorf("keep the certificate: %w", err)
	}
	c, err = tls.LoadX509KeyPair(path, path)
	return c, true, err
}

// makeCertificate is a new key and its certificate, for the names and addresses that
// this computer has now.
func makeCertificate(now time.Time) ([]byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, err
	}
	t := &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{CommonName: "plumbline on this computer"},
		NotBefore:    now.Add(-time.Hour), // clocks differ
		NotAfter:     now.Add(validFor),
		KeyUsage:     x509.KeyUsageDigitalSignature,
		ExtKeyUsage:  []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		DNSNames:     []string{"localhost"},

		BasicConstraintsValid: true,
	}
	if name, err := os.Hostname(); err == nil {
		t.Subject.CommonName = "plumbline on " + name
		t.DNSNames = append(t.DNSNames, name, name+".local")
	}
	addresses, _ := net.InterfaceAddrs() // without any, the names are left
	for _, a := range addresses {
		if n, ok := a.(*net.IPNet); ok {
			t.IPAddresses = append(t.IPAddresses, n.IP)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return nil, err
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})...), nil
}
