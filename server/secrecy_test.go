package server_test

import (
	"bytes"
	"context"
	"crypto/md5"  //nolint:gosec // what is looked for, not what is used
	"crypto/sha1" //nolint:gosec // what is looked for, not what is used
	"crypto/sha256"
	"crypto/sha512"
	"encoding/base64"
	"encoding/hex"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

// markers are a PIN and every form of it that says as much: its plain hashes,
// raw, in hexadecimal and in base64.
func markers(pin string) map[string][]byte {
	out := map[string][]byte{"the PIN": []byte(pin)}
	md, s1, s256, s384, s512 := md5.Sum([]byte(pin)), sha1.Sum([]byte(pin)), sha256.Sum256([]byte(pin)), sha512.Sum384([]byte(pin)), sha512.Sum512([]byte(pin)) //nolint:gosec // see above
	for name, sum := range map[string][]byte{"MD5": md[:], "SHA-1": s1[:], "SHA-256": s256[:], "SHA-384": s384[:], "SHA-512": s512[:]} {
		out[name] = sum
		out[name+" in hexadecimal"] = []byte(hex.EncodeToString(sum))
		out[name+" in upper-case hexadecimal"] = bytes.ToUpper([]byte(hex.EncodeToString(sum)))
		out[name+" in base64"] = []byte(base64.RawStdEncoding.EncodeToString(sum))
		out[name+" in base64url"] = []byte(base64.RawURLEncoding.EncodeToString(sum))
	}
	return out
}

// search looks for markers in every file of a folder, and gives where each was found.
func search(t testing.TB, dir string, marks map[string][]byte) (found map[string]string, files int) {
	t.Helper()
	found = map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		files++
		for name, m := range marks {
			if bytes.Contains(b, m) {
				found[name] = filepath.Base(path)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return found, files
}

// TestPINsLeaveNoTrace sends marker PINs through every call that takes one,
// right and wrong, and searches the database, its write-ahead log, the files,
// the logs, a backup and the server's own log for them (D12).
func TestPINsLeaveNoTrace(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 7, 0))
	const right, old, wrong, bad = "926183057412", "518203946617", "730418295561", "73041829556x"
	all := map[string]map[string][]byte{"right": markers(right), "old": markers(old), "wrong": markers(wrong), "bad": markers(bad)}

	set := func(c *client.Client, pin string) {
		t.Helper()
		must(t)(c.Session.SetPin(ctx, &sv.SetPinRequest{Initials: rita, NewPin: pin}))
	}
	set(k.op, old)
	pins := map[string]string{rita: right}
	c := k.dial("")
	must(t)(c.SignIn(ctx, rita, old, "wall"))
	set(c, right)
	for _, fail := range []func() error{
		func() error { _, err := c.SignIn(ctx, rita, wrong, "wall"); return err },
		func() error { _, err := c.SignIn(ctx, "NOBODY", wrong, "wall"); return err },
		func() error { _, err := c.SignIn(ctx, rita, bad, "wall"); return err },
		func() error {
			_, err := k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: rita, NewPin: bad})
			return err
		},
		func() error {
			_, err := k.op.Session.SetPin(ctx, &sv.SetPinRequest{Initials: "NOBODY", NewPin: wrong})
			return err
		},
		func() error {
			_, err := k.as(anna).Session.SetPin(ctx, &sv.SetPinRequest{Initials: rita, NewPin: wrong})
			return err
		},
	} {
		err := fail()
		if err == nil {
			t.Fatal("it was taken")
		}
		for _, pin := range []string{wrong, bad} {
			if bytes.Contains([]byte(err.Error()), []byte(pin)) {
				t.Errorf("the answer repeats the PIN: %v", err)
			}
		}
	}
	must(t)(c.SignIn(ctx, rita, pins[rita], "wall"))
	must(t)(nil, startOf(k, &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 6, 0))}))
	_, shown := k.day(monday)
	confirm := func(pin string) (*sv.ConfirmSigningResponse, error) {
		return c.Session.ConfirmSigning(ctx, &sv.ConfirmSigningRequest{Pin: pin, Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED, ContentSha256: shown.GetContentSha256()})
	}
	if _, err := confirm(wrong); err == nil {
		t.Fatal("a wrong PIN signed")
	}
	token, err := confirm(right)
	if err != nil {
		t.Fatal(err)
	}
	must(t)(c.Day.ReviewDay(ctx, &sv.ReviewDayRequest{RequestId: k.id(), SigningToken: token.GetSigningToken(), Review: &kb.DayReview{
		ProductionDay: monday, LedgerSize: shown.GetLedgerSize(), ContentSha256: shown.GetContentSha256(), Meaning: kb.SigningMeaning_SIGNING_MEANING_REVIEWED,
	}}))
	if err := k.store.Backup(context.Background(), filepath.Join(k.dir, "backup.db")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(k.dir, "server.log"), []byte(k.log.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	// While it runs (the write-ahead log is full), and after a clean stop.
	for _, when := range []string{"running", "stopped"} {
		for which, marks := range all {
			found, files := search(t, k.dir, marks)
			if files < 6 {
				t.Errorf("only %d files were searched", files)
			}
			for name, file := range found {
				t.Errorf("%s: %s of the %s PIN stands in %s", when, name, which, file)
			}
		}
		if when == "running" {
			searchSecrets(t, k, all)
			k.stop()
		}
	}
	// The search finds what is there: the lot code, and the name of a bucket.
	if found, _ := search(t, k.dir, map[string][]byte{"lot": []byte("L1"), "bucket": []byte("signin.pins")}); len(found) != 2 {
		t.Errorf("the search found only %v", found)
	}
}

// searchSecrets looks at the table of secrets value by value, decoded.
func searchSecrets(t *testing.T, k *kitchen, all map[string]map[string][]byte) {
	t.Helper()
	n := 0
	for _, bucket := range []string{"signin.pins", "signin.sessions", "signin.signings", "signin.tallies"} {
		list, err := k.store.Secrets().List(ctx, bucket)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range list {
			n++
			for which, marks := range all {
				for name, m := range marks {
					if bytes.Contains(s.Value, m) || bytes.Contains([]byte(s.Key), m) {
						t.Errorf("%s of the %s PIN stands in %s", name, which, bucket)
					}
				}
			}
		}
	}
	if n < 8 {
		t.Errorf("only %d secrets were looked at", n)
	}
}
