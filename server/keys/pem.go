package keys

import (
	"bytes"
	"crypto"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
)

const (
	blockKey         = "PRIVATE KEY" // PKCS #8
	blockRSAKey      = "RSA PRIVATE KEY"
	blockECKey       = "EC PRIVATE KEY"
	blockEncrypted   = "ENCRYPTED PRIVATE KEY"
	blockCertificate = "CERTIFICATE"
)

// encodeBundle writes a key and certificates into one file's content.
func encodeBundle(key crypto.Signer, certs ...*x509.Certificate) []byte {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		// Only keys that were made or parsed here come this way.
		panic(fmt.Sprintf("keys: %T: %v", key, err))
	}
	text := pem.EncodeToMemory(&pem.Block{Type: blockKey, Bytes: der})
	return append(text, encodeCertificates(certs...)...)
}

func encodeCertificates(certs ...*x509.Certificate) []byte {
	var text []byte
	for _, cert := range certs {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: blockCertificate, Bytes: cert.Raw})...)
	}
	return text
}

// decodeBundle reads the private keys and certificates of PEM text. Text between
// the blocks, as many tools write it, is passed over.
func decodeBundle(text []byte) (found []crypto.Signer, certs []*x509.Certificate, err error) {
	for {
		block, rest := pem.Decode(text)
		if block == nil {
			break
		}
		text = rest
		switch block.Type {
		case blockCertificate:
			cert, err := x509.ParseCertificate(block.Bytes)
			if err != nil {
				return nil, nil, fmt.Errorf("certificate %d: %w", len(certs)+1, err)
			}
			certs = append(certs, cert)
		case blockKey, blockRSAKey, blockECKey:
			key, err := parseKey(block)
			if err != nil {
				return nil, nil, err
			}
			found = append(found, key)
		case blockEncrypted:
			return nil, nil, errors.New("the private key is under a passphrase: " +
				"take it off first (openssl pkey -in KEY -out PLAIN, under umask 077)")
		default:
			return nil, nil, fmt.Errorf("a block %q has no place here", block.Type)
		}
	}
	if bytes.Contains(text, []byte("-----BEGIN")) {
		return nil, nil, errors.New("a block is cut off or garbled")
	}
	return found, certs, nil
}

func parseKey(block *pem.Block) (crypto.Signer, error) {
	if block.Headers["Proc-Type"] != "" {
		return nil, errors.New("the private key is under a passphrase: " +
			"take it off first (openssl rsa -in KEY -out PLAIN, under umask 077)")
	}
	var key any
	var err error
	switch block.Type {
	case blockRSAKey:
		key, err = x509.ParsePKCS1PrivateKey(block.Bytes)
	case blockECKey:
		key, err = x509.ParseECPrivateKey(block.Bytes)
	default:
		key, err = x509.ParsePKCS8PrivateKey(block.Bytes)
	}
	if err != nil {
		return nil, fmt.Errorf("private key: %w", err)
	}
	signer, ok := key.(crypto.Signer)
	if !ok {
		return nil, fmt.Errorf("a private key of the type %T cannot sign", key)
	}
	return signer, nil
}

func samePublicKey(a, b crypto.PublicKey) bool {
	key, ok := a.(interface{ Equal(crypto.PublicKey) bool })
	return ok && key.Equal(b)
}
