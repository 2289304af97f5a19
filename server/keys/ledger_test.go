package keys

import (
	"bytes"
	"encoding/base64"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

// The signature under a checkpoint is checked by openssl from nothing but the
// printed verifier key: name+hash+base64(0x01 || Ed25519 public key, RFC 8032),
// wrapped in the SubjectPublicKeyInfo of RFC 8410.
func TestOpensslVerifiesTheCheckpointFromThePrintedKey(t *testing.T) {
	r := sealedRing(t)
	message := signed(t, r.LedgerSigner(), 42, 7)
	text, sigLine, _ := strings.Cut(string(message), "\n\n")
	text += "\n"
	fields := strings.Fields(sigLine)
	sig, err := base64.StdEncoding.DecodeString(fields[len(fields)-1])
	if err != nil {
		t.Fatal(err)
	}
	printed := strings.SplitN(r.Fingerprints().LedgerVerifier, "+", 3)
	public, err := base64.StdEncoding.DecodeString(printed[2])
	if err != nil || len(public) != 33 || public[0] != 1 || printed[0] != r.Origin() {
		t.Fatalf("verifier key %q: %v", r.Fingerprints().LedgerVerifier, err)
	}
	// SEQUENCE { SEQUENCE { OID 1.3.101.112 }, BIT STRING } of RFC 8410 section 4.
	spki := append([]byte{0x30, 0x2a, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x03, 0x21, 0x00}, public[1:]...)
	dir := t.TempDir()
	writeFile(t, filepath.Join(dir, "pub.der"), spki)
	writeFile(t, filepath.Join(dir, "text"), []byte(text))
	writeFile(t, filepath.Join(dir, "sig"), sig[4:])
	out := openssl(t, "pkeyutl", "-verify", "-pubin", "-keyform", "DER", "-inkey", filepath.Join(dir, "pub.der"),
		"-rawin", "-in", filepath.Join(dir, "text"), "-sigfile", filepath.Join(dir, "sig"))
	if !strings.Contains(out, "Signature Verified Successfully") {
		t.Errorf("openssl says %q", out)
	}
}

func TestLastCheckpoint(t *testing.T) {
	dir := sealedFolder(t)
	r := mustOpen(t, dir)
	if kept, err := r.LastCheckpoint(); kept != nil || err != nil {
		t.Fatalf("before the first: %q, %v", kept, err)
	}
	for _, size := range []int64{1, 2, 9_000_000_000} {
		want := signed(t, r.LedgerSigner(), size, 1)
		if err := r.SaveLastCheckpoint(want); err != nil {
			t.Fatal(err)
		}
		for _, ring := range []*Ring{r, mustOpen(t, dir)} {
			if got, err := ring.LastCheckpoint(); err != nil || !bytes.Equal(got, want) {
				t.Errorf("kept %q, %v; want %q", got, err, want)
			}
		}
		if err := r.SaveLastCheckpoint(want); err != nil {
			t.Errorf("the same once more: %v", err)
		}
	}
}

func TestCheckpointsNeverGoBack(t *testing.T) {
	r := sealedRing(t)
	kept := signed(t, r.LedgerSigner(), 100, 1)
	if err := r.SaveLastCheckpoint(kept); err != nil {
		t.Fatal(err)
	}
	skey, _, err := note.GenerateKey(testRandom(5), r.Origin())
	if err != nil {
		t.Fatal(err)
	}
	stranger, err := note.NewSigner(skey)
	if err != nil {
		t.Fatal(err)
	}
	root := base64.StdEncoding.EncodeToString(make([]byte, 32))
	s := r.LedgerSigner()
	for name, bad := range map[string][]byte{
		"smaller tree":               signed(t, s, 99, 1),
		"another root":               signed(t, s, 100, 2),
		"a stranger's signature":     signed(t, stranger, 101, 1),
		"no signature":               []byte(r.Origin() + "\n101\n" + root + "\n"),
		"text changed after signing": bytes.Replace(signed(t, s, 101, 1), []byte("101"), []byte("102"), 1),
		"another origin":             signedText(t, s, "other.example\n101\n"+root+"\n"),
		"size with a leading zero":   signedText(t, s, r.Origin()+"\n0101\n"+root+"\n"),
		"negative size":              signedText(t, s, r.Origin()+"\n-1\n"+root+"\n"),
		"size of nothing":            signedText(t, s, r.Origin()+"\n0\n"+root+"\n"),
		"short root":                 signedText(t, s, r.Origin()+"\n101\nAAAA\n"),
		"two lines only":             signedText(t, s, r.Origin()+"\n101\n"),
		"nothing":                    nil,
	} {
		if err := r.SaveLastCheckpoint(bad); !errors.Is(err, ErrCheckpoint) {
			t.Errorf("%s: %v", name, err)
		}
		if got, err := r.LastCheckpoint(); err != nil || !bytes.Equal(got, kept) {
			t.Errorf("%s: kept is now %q, %v", name, got, err)
		}
	}
	// Extension lines below the root are part of the format.
	more := signedText(t, s, r.Origin()+"\n101\n"+root+"\nextension\n")
	if err := r.SaveLastCheckpoint(more); err != nil {
		t.Errorf("with an extension line: %v", err)
	}
}

func TestLastCheckpointDamage(t *testing.T) {
	dir := sealedFolder(t)
	r := mustOpen(t, dir)
	if err := r.SaveLastCheckpoint(signed(t, r.LedgerSigner(), 100, 1)); err != nil {
		t.Fatal(err)
	}
	next := signed(t, r.LedgerSigner(), 101, 1)
	path := filepath.Join(dir, "checkpoint-0001")
	for what, damage := range map[string]func() error{
		"garbled": func() error { return os.WriteFile(path, []byte("no checkpoint"), fileMode) },
		"missing": func() error { return os.Remove(path) },
	} {
		if err := damage(); err != nil {
			t.Fatal(err)
		}
		if kept, err := r.LastCheckpoint(); !errors.Is(err, ErrDamaged) || kept != nil {
			t.Errorf("%s: %q, %v", what, kept, err)
		}
		if err := r.SaveLastCheckpoint(next); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: saved over it: %v", what, err)
		}
		if _, err := Open(dir); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: opened: %v", what, err)
		}
	}
}

func TestNewLedgerRetiresTheOldOrigin(t *testing.T) {
	dir := sealedFolder(t)
	r := mustOpen(t, dir)
	oldPrint := r.Fingerprints().LedgerVerifier
	old := signed(t, r.LedgerSigner(), 100, 1)
	if err := r.SaveLastCheckpoint(old); err != nil {
		t.Fatal(err)
	}
	origin := r.Origin()
	for _, bad := range []string{origin, "", "two words"} {
		if err := r.NewLedger(testRandom(2), bad); !errors.Is(err, ErrOptions) {
			t.Errorf("NewLedger(%q): %v", bad, err)
		}
	}
	if err := r.NewLedger(testRandom(2), origin+"/2"); err != nil {
		t.Fatal(err)
	}
	for _, ring := range []*Ring{r, mustOpen(t, dir)} {
		if ring.Origin() != origin+"/2" || ring.LedgerVerifier().Name() != origin+"/2" {
			t.Errorf("origin %q", ring.Origin())
		}
		if kept, err := ring.LastCheckpoint(); kept != nil || err != nil {
			t.Errorf("the new origin begins with %q, %v", kept, err)
		}
		retired, err := ring.RetiredLedgers()
		if err != nil || len(retired) != 1 || retired[0].Origin != origin ||
			retired[0].VerifierKey != oldPrint || !bytes.Equal(retired[0].LastCheckpoint, old) {
			t.Errorf("retired %+v, %v", retired, err)
		}
		if _, err := note.Open(old, ring.LedgerVerifiers()); err != nil {
			t.Errorf("an old checkpoint no longer verifies: %v", err)
		}
	}
	if err := r.SaveLastCheckpoint(old); !errors.Is(err, ErrCheckpoint) {
		t.Errorf("a checkpoint of the old origin was kept: %v", err)
	}
	if err := r.NewLedger(testRandom(3), origin); !errors.Is(err, ErrOptions) {
		t.Errorf("back to a retired origin: %v", err)
	}
	if err := r.SaveLastCheckpoint(signed(t, r.LedgerSigner(), 60, 3)); err != nil {
		t.Errorf("the new origin may begin below the old one's size: %v", err)
	}
}
