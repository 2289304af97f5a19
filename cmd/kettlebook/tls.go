package main

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"

	"kettlebook/records"
	"kettlebook/server/keys"
)

// localTLS trusts the folder's own authority.
func localTLS(ring *keys.Ring) (*tls.Config, error) {
	return &tls.Config{RootCAs: ring.TLSAuthorityPool(), ServerName: "localhost", MinVersion: tls.VersionTLS13}, nil
}

// fileTLS trusts the authority in a PEM file.
func fileTLS(path string) (*tls.Config, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(b) {
		return nil, &records.FieldError{Kind: records.ErrInvalid, Field: "--ca", Problem: fmt.Sprintf("%s holds no certificate", path), Cure: "give the kitchen's ca.pem"}
	}
	return &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13}, nil
}

// ownTLS serves the kitchen's own certificate to the network; the in-memory
// listener of this process asks for localhost and gets the made one.
func ownTLS(made *tls.Config, own tls.Certificate) *tls.Config {
	c := made.Clone()
	fallback := made.GetCertificate
	c.GetCertificate = func(h *tls.ClientHelloInfo) (*tls.Certificate, error) {
		if fallback != nil && h.ServerName == inProcess {
			return fallback(h)
		}
		return &own, nil
	}
	return c
}

// inProcess is the name by which this process asks its own service for the
// made certificate; it is no name on any network.
const inProcess = "localhost"
