package signin

import (
	"bytes"
	"crypto/hmac"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"strings"
	"testing"
	"time"
)

// marker is a PIN that nothing else contains by chance.
const marker = "804172635193"

// forms returns every spelling of secret that a search finds: itself, its plain
// hashes, and those in hexadecimal and base64.
func forms(secret string) map[string]string {
	found := map[string]string{"itself": secret, "itself in base64": base64.StdEncoding.EncodeToString([]byte(secret))}
	for name, h := range map[string]func() hash.Hash{
		"MD5": md5.New, "SHA-1": sha1.New, "SHA-256": sha256.New, "SHA-384": sha512.New384, "SHA-512": sha512.New,
		"HMAC under no key":  func() hash.Hash { return hmac.New(sha256.New, nil) },
		"HMAC under 32 zero": func() hash.Hash { return hmac.New(sha256.New, make([]byte, 32)) },
	} {
		for end, text := range map[string]string{"": secret, " with newline": secret + "\n"} {
			sum := h()
			sum.Write([]byte(text))
			digest := sum.Sum(nil)
			found[name+end] = string(digest)
			found[name+end+" in hex"] = hex.EncodeToString(digest)
			found[name+end+" in base64"] = strings.TrimRight(base64.StdEncoding.EncodeToString(digest), "=")
			found[name+end+" in base64url"] = base64.RawURLEncoding.EncodeToString(digest)
		}
	}
	return found
}

// A marker PIN goes through everything that takes a PIN, right and wrong, and
// through the field beside it; then everything that was ever given to the vault,
// and everything that was said, is searched for it.
func TestNoPINInTheVault(t *testing.T) {
	f := newFixture(t)
	var said bytes.Buffer
	note := func(values ...any) { fmt.Fprintf(&said, "%+v\n", values) }
	ctx := t.Context()

	note(f.SetPIN(ctx, "cleo", marker))
	token, s, err := f.SignIn(ctx, "cleo", marker, "wall")
	if err != nil {
		t.Fatal(err)
	}
	note(s, err)
	confirmed, until, err := f.ConfirmSigning(ctx, Signing{Person: "cleo", Meaning: "review"}, marker, "wall")
	if err != nil {
		t.Fatal(err)
	}
	note(until, err)
	note(f.ConfirmSigning(ctx, Signing{Person: "cleo"}, marker, "wall"))
	note(f.SignIn(ctx, "ana", marker, "wall"))
	note(f.SignIn(ctx, "nobody", marker, "wall"))
	note(f.ConfirmSigning(ctx, Signing{Person: "ana", Meaning: "review"}, marker, "wall"))
	for range 5 { // typed into the wrong field, until delayed
		note(f.SignIn(ctx, marker, "cleo", "wall"))
	}
	note(f.SetPIN(ctx, "cleo", marker+"0"))
	note(f.SetPIN(ctx, "cleo", marker+"x"))
	note(f.HasPIN(ctx, marker))
	f.params = Params{Passes: 2, MemoryKiB: 8, Lanes: 1} // renewed at the next sign-in
	note(f.SignIn(ctx, "cleo", marker, "hand"))
	f.clock.Advance(5 * time.Minute)
	note(f.Session(ctx, token))
	note(f.UseConfirmation(ctx, confirmed, Signing{Person: "cleo", Meaning: "review"}))
	note(fmt.Sprint(f.vault.ops))

	if f.vault.size(bucketPINs) != 3 || f.vault.size(bucketSessions) != 2 || f.vault.size(bucketTallies) < 8 {
		t.Fatalf("the vault holds too little to be worth searching: %d, %d, %d",
			f.vault.size(bucketPINs), f.vault.size(bucketSessions), f.vault.size(bucketTallies))
	}
	for what, form := range forms(marker) {
		if contains(f.vault.ever.Bytes(), form) {
			t.Errorf("the vault was given the PIN: %s", what)
		}
		if contains(said.Bytes(), form) {
			t.Errorf("the PIN was said: %s", what)
		}
	}
	// Tokens are kept as their SHA-256 only, which is enough for 256 random bits.
	for _, token := range []string{token, confirmed} {
		secret, err := base64.RawURLEncoding.DecodeString(token)
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(secret)
		if !contains(f.vault.ever.Bytes(), base64.RawURLEncoding.EncodeToString(sum[:])) {
			t.Error("a token's hash is not in the vault: the search would find nothing")
		}
		for what, form := range map[string]string{"token": token, "bytes": string(secret),
			"hex": hex.EncodeToString(secret), "base64": base64.StdEncoding.EncodeToString(secret)} {
			if contains(f.vault.ever.Bytes(), form) {
				t.Errorf("the vault was given a token: %s", what)
			}
		}
	}
	if contains(f.vault.ever.Bytes(), string(f.pepper)) || contains(f.vault.ever.Bytes(), hex.EncodeToString(f.pepper)) {
		t.Error("the vault was given the pepper")
	}
}

func TestNewRefusesPoorConfigs(t *testing.T) {
	for name, change := range map[string]func(*Config){
		"no vault":             func(c *Config) { c.Vault = nil },
		"no clock":             func(c *Config) { c.Clock = nil },
		"no randomness":        func(c *Config) { c.Random = nil },
		"short pepper":         func(c *Config) { c.Pepper = c.Pepper[:31] },
		"too little memory":    func(c *Config) { c.Params = Params{Passes: 1, MemoryKiB: 15, Lanes: 2} },
		"too much memory":      func(c *Config) { c.Params.MemoryKiB = 1<<20 + 1 },
		"no pass":              func(c *Config) { c.Params = Params{MemoryKiB: 64, Lanes: 1} },
		"too many passes":      func(c *Config) { c.Params.Passes = 17 },
		"no lane":              func(c *Config) { c.Params = Params{MemoryKiB: 64, Passes: 1} },
		"too many lanes":       func(c *Config) { c.Params = Params{MemoryKiB: 1024, Passes: 1, Lanes: 17} },
		"no delay":             func(c *Config) { c.Delays = DefaultDelays; c.Delays.PersonFirst = 0 },
		"delay for good":       func(c *Config) { c.Delays = DefaultDelays; c.Delays.PersonLongest = 25 * time.Hour },
		"familiar for good":    func(c *Config) { c.Delays = DefaultDelays; c.Delays.FamiliarFor = keepTallies + 1 },
		"idle beyond the life": func(c *Config) { c.Idle = 13 * time.Hour },
		"negative idle":        func(c *Config) { c.Idle = -1 },
		"negative life":        func(c *Config) { c.ConfirmLife = -1 },
	} {
		c := testConfig(newVault(), (&testClock{}).Now)
		change(&c)
		if d, err := New(c); !errors.Is(err, ErrConfig) || d != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	c := testConfig(newVault(), (&testClock{}).Now)
	c.Random = bytes.NewReader(make([]byte, 47))
	if _, err := New(c); !errors.Is(err, errShortRandom) {
		t.Errorf("randomness that ends: %v", err)
	}
	c.Random = bytes.NewReader(make([]byte, 48))
	d, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.SetPIN(t.Context(), "ana", "4071"); !errors.Is(err, errShortRandom) {
		t.Errorf("a PIN without a salt: %v", err)
	}
}
