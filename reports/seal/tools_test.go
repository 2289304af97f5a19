package seal

import (
	"bytes"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The seal is checked against programs that share no code with it: pdfsig
// (poppler and NSS), mutool (MuPDF and its own difference check), openssl and
// qpdf. pdfsig and mutool end with 0 even when a signature is bad, so it is
// their text that is read. Written against pdfsig 22.12, mutool 1.21.1,
// openssl 3.0 and qpdf 11.3.
var aptPackage = map[string]string{
	"pdfsig": "poppler-utils", "pdftotext": "poppler-utils", "pdfdetach": "poppler-utils",
	"mutool": "mupdf-tools", "openssl": "openssl", "qpdf": "qpdf", "certutil": "libnss3-tools",
}

// run runs an outside program and gives its text and exit code.
func run(t *testing.T, program string, args ...string) (output string, code int) {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		t.Fatalf("%s is missing; install it with: apt-get install %s", program, aptPackage[program])
	}
	cmd := exec.Command(path, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C", "TZ=UTC")
	out, err := cmd.CombinedOutput()
	if err != nil && cmd.ProcessState == nil {
		t.Fatalf("%s: %v", program, err)
	}
	return string(out), cmd.ProcessState.ExitCode()
}

func write(t *testing.T, file string, data []byte) string {
	t.Helper()
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func pemFile(t *testing.T, file string, der []byte) string {
	t.Helper()
	return write(t, file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

// nssTrusting makes a certificate database for pdfsig that trusts one CA.
func nssTrusting(t *testing.T, ca []byte) string {
	t.Helper()
	dir := t.TempDir()
	for _, args := range [][]string{
		{"-N", "--empty-password", "-d", "sql:" + dir},
		{"-A", "-d", "sql:" + dir, "-n", "ca", "-t", ",C,", "-i", pemFile(t, filepath.Join(dir, "ca.pem"), ca)},
	} {
		if out, code := run(t, "certutil", args...); code != 0 {
			t.Fatalf("certutil: %s", out)
		}
	}
	return dir
}

// counts checks how often each phrase stands in a text.
func counts(t *testing.T, what, output string, want map[string]int) {
	t.Helper()
	for phrase, n := range want {
		if got := strings.Count(output, phrase); got != n {
			t.Errorf("%s says %q %d times instead of %d:\n%s", what, phrase, got, n, output)
		}
	}
}

// toolFiles are documents with and without an embedded font, sealed and counter-signed.
func toolFiles(t *testing.T) map[string][]byte {
	fonted := mustSign(t, plain(t, true), sealOptions(identities()["seal"]))
	return map[string][]byte{
		"sealed": sealed(t), "counter-signed": countersigned(t),
		"sealed, embedded font": fonted, "counter-signed, embedded font": mustCounterSign(t, fonted, counterOptions(identities()["counter"])),
	}
}

func TestPdfsigAgrees(t *testing.T) {
	ours, strangers := nssTrusting(t, identities()["ca"].anchor()), nssTrusting(t, identities()["stranger-ca"].anchor())
	dir := t.TempDir()
	for title, pdf := range toolFiles(t) {
		file, n := write(t, filepath.Join(dir, title+".pdf"), pdf), strings.Count(title, "counter-signed")
		out, _ := run(t, "pdfsig", "-nssdir", "sql:"+ours, file)
		counts(t, title+": pdfsig", out, map[string]int{
			"- Signature Validation: Signature is Valid.":       1 + n,
			"- Certificate Validation: Certificate is Trusted.": 1 + n,
			"- Total document signed":                           1,
			"- Not total document signed":                       n,
			"- Signature Type: ETSI.CAdES.detached":             1 + n,
			"- Signing Hash Algorithm: SHA-256":                 1 + n,
			"- Signing Time: Nov 25 2026 18:30:05":              1,
			"- Signing Time: Nov 25 2026 19:30:05":              n,
			"Common Name: Marrowby Test Kitchen, seal":          1,
			"The signature form field is not signed.":           1 - n,
		})
		out, _ = run(t, "pdfsig", "-nssdir", "sql:"+strangers, file)
		counts(t, title+": pdfsig with a strange CA", out, map[string]int{
			"Signature is Valid.": 1 + n, "Certificate is Trusted.": 0, "issuer": 1 + n,
		})
	}
	broken := sealed(t)
	broken[bytes.Index(broken, []byte("stream\n"))+20] ^= 1
	out, _ := run(t, "pdfsig", "-nssdir", "sql:"+ours, write(t, filepath.Join(dir, "broken.pdf"), broken))
	counts(t, "broken: pdfsig", out, map[string]int{"Signature is Valid.": 0, "Digest Mismatch": 1})
	checkTampered(t, broken, ourTrust(t), FlippedByte)

	longer := append(sealed(t), "% seen\n"...)
	out, _ = run(t, "pdfsig", "-nssdir", "sql:"+ours, write(t, filepath.Join(dir, "longer.pdf"), longer))
	counts(t, "longer: pdfsig", out, map[string]int{"- Not total document signed": 1, "- Total document signed": 0})

	if out, code := run(t, "pdfsig", "-nssdir", "sql:"+ours, write(t, filepath.Join(dir, "plain.pdf"), plain(t, false))); code != 2 {
		t.Errorf("plain: pdfsig ends with %d: %s", code, out)
	}
}

func TestMutoolAgrees(t *testing.T) {
	dir := t.TempDir()
	for title, pdf := range toolFiles(t) {
		n := strings.Count(title, "counter-signed")
		out, _ := run(t, "mutool", "sign", "-v", write(t, filepath.Join(dir, title+".pdf"), pdf))
		// It reads no anchor from a file; "self-signed" is our own CA in the chain.
		counts(t, title+": mutool", out, map[string]int{
			"The document is unchanged since signing.":                    1,
			"The signature is valid but there have been edits since sign": n,
			"Self-signed certificate in chain":                            1 + n,
			"Signature is not signed.":                                    1 - n,
			"Digest error":                                                0,
			"cn=Marrowby Test Kitchen, seal":                              1,
		})
	}
	broken := sealed(t)
	broken[bytes.Index(broken, []byte("stream\n"))+20] ^= 1
	out, _ := run(t, "mutool", "sign", "-v", write(t, filepath.Join(dir, "broken.pdf"), broken))
	counts(t, "broken: mutool", out, map[string]int{"The document is unchanged since signing.": 0, "Digest error": 1})
}

// TestQpdfAgrees: the structure is sound, and old and new objects are found.
func TestQpdfAgrees(t *testing.T) {
	dir := t.TempDir()
	for title, pdf := range toolFiles(t) {
		out, code := run(t, "qpdf", "--check", write(t, filepath.Join(dir, title+".pdf"), pdf))
		if code != 0 || !strings.Contains(out, "No syntax or stream encoding errors found") || strings.Contains(out, "WARNING") {
			t.Errorf("%s: qpdf ends with %d: %s", title, code, out)
		}
	}
}

// TestOpensslAgrees cuts the signed ranges and the value out of the file and
// hands them to openssl, which reads no PDF.
func TestOpensslAgrees(t *testing.T) {
	dir := t.TempDir()
	ca := pemFile(t, filepath.Join(dir, "ca.pem"), identities()["ca"].anchor())
	strangerCA := pemFile(t, filepath.Join(dir, "stranger.pem"), identities()["stranger-ca"].anchor())
	for title, pdf := range toolFiles(t) {
		report := Verify(pdf, ourTrust(t))
		for i, s := range report.Signatures {
			a, b, c, d := s.ByteRange[0], s.ByteRange[1], s.ByteRange[2], s.ByteRange[3]
			content := write(t, filepath.Join(dir, "content"), append(bytes.Clone(pdf[a:a+b]), pdf[c:c+d]...))
			value, err := hex.DecodeString(string(pdf[a+b+1 : c-1]))
			if err != nil {
				t.Fatal(err)
			}
			value = bytes.TrimRight(value, "\x00")
			if len(value) < 1000 {
				t.Fatalf("%s: signature %d has %d bytes", title, i, len(value))
			}
			der := write(t, filepath.Join(dir, "value.der"), value)
			verify := func(anchor, content string) (string, int) {
				return run(t, "openssl", "cms", "-verify", "-binary", "-cades", "-inform", "DER", "-in", der, "-content", content,
					"-CAfile", anchor, "-attime", fmt.Sprint(s.SignedAt.Unix()), "-out", os.DevNull)
			}
			if out, code := verify(ca, content); code != 0 || !strings.Contains(out, "CAdES Verification successful") {
				t.Errorf("%s, signature %d: openssl ends with %d: %s", title, i, code, out)
			}
			if out, code := verify(strangerCA, content); code == 0 {
				t.Errorf("%s, signature %d: openssl takes it under a strange CA: %s", title, i, out)
			}
			other := write(t, filepath.Join(dir, "other"), append(bytes.Clone(pdf[a:a+b]), "x"...))
			if out, code := verify(ca, other); code == 0 {
				t.Errorf("%s, signature %d: openssl takes other content: %s", title, i, out)
			}
			// ETSI EN 319 142-1, 6.3: these attributes, and no signing-time.
			out, code := run(t, "openssl", "cms", "-cmsout", "-print", "-inform", "DER", "-in", der)
			if code != 0 {
				t.Fatal(out)
			}
			counts(t, title+": openssl -print", out, map[string]int{
				"object: contentType (": 1, "object: messageDigest (": 1, "object: id-smime-aa-signingCertificateV2 (": 1,
				"object: signingTime": 0, "object: S/MIME Capabilities": 0, "algorithm: rsaEncryption (": 3, "eContent: <ABSENT>": 1,
			})
		}
	}
}

// TestOpensslSignature: what openssl's own -cades signer writes is no baseline
// B-B seal (it adds signing-time), and Verify says so, although openssl and the
// signature itself are in order.
func TestOpensslSignature(t *testing.T) {
	dir, id, pdf := t.TempDir(), identities()["seal"], sealed(t)
	key, err := x509.MarshalPKCS8PrivateKey(id.key)
	if err != nil {
		t.Fatal(err)
	}
	keyFile := write(t, filepath.Join(dir, "key.pem"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key}))
	p := contentsOf(t, pdf, 0)
	content := write(t, filepath.Join(dir, "content"), append(bytes.Clone(pdf[:p.start]), pdf[p.behind:]...))
	for _, more := range [][]string{{"-cades"}, {"-noattr"}, {"-cades", "-keyid"}, {"-cades", "-md", "sha512"}} {
		value := filepath.Join(dir, "value.der")
		args := append([]string{"cms", "-sign", "-binary", "-md", "sha256", "-outform", "DER", "-in", content, "-out", value,
			"-signer", pemFile(t, filepath.Join(dir, "leaf.pem"), id.chain[0]), "-inkey", keyFile,
			"-certfile", pemFile(t, filepath.Join(dir, "ca.pem"), id.anchor())}, more...)
		if out, code := run(t, "openssl", args...); code != 0 {
			t.Fatal(out)
		}
		der, err := os.ReadFile(value)
		if err != nil {
			t.Fatal(err)
		}
		checkTampered(t, withCMS(t, pdf, der), ourTrust(t), BadStructure)
	}
}

// TestAttachmentsAndTextElsewhere: other programs find the files and the drawn text.
func TestAttachmentsAndTextElsewhere(t *testing.T) {
	dir := t.TempDir()
	for title, pdf := range toolFiles(t) {
		file := write(t, filepath.Join(dir, "in.pdf"), pdf)
		files, err := Attachments(pdf)
		if err != nil {
			t.Fatal(err)
		}
		for i, a := range files {
			saved := filepath.Join(dir, "saved")
			if out, code := run(t, "pdfdetach", "-save", fmt.Sprint(i+1), "-o", saved, file); code != 0 {
				t.Fatalf("%s: pdfdetach: %s", title, out)
			}
			if got, err := os.ReadFile(saved); err != nil || !bytes.Equal(got, a.Data) {
				t.Errorf("%s: pdfdetach gives another %s: %q, %v", title, a.Name, got, err)
			}
		}
		for _, program := range [][]string{{"pdftotext", "-layout", file, "-"}, {"mutool", "draw", "-F", "txt", file}} {
			out, code := run(t, program[0], program[1:]...)
			if code != 0 {
				t.Fatalf("%s: %s: %s", title, program[0], out)
			}
			n, label := strings.Count(title, "counter-signed"), 1
			if program[0] == "mutool" {
				label = n // it puts a word of its own over an empty field
			}
			counts(t, title+": "+program[0], out, map[string]int{
				"Sealed by": 1, "Marrowby Test Kitchen": 1, "2026-11-25 18:30:05 UTC": 1, "Counter-signature": label,
				"A. Invented, reviewer": n, "2026-11-25 19:30:05 UTC": n,
			})
		}
	}
}

// TestCertificatesElsewhere: openssl reads the made certificates as they are meant.
func TestCertificatesElsewhere(t *testing.T) {
	dir, id := t.TempDir(), identities()["seal"]
	ca, leaf := pemFile(t, filepath.Join(dir, "ca.pem"), id.anchor()), pemFile(t, filepath.Join(dir, "leaf.pem"), id.chain[0])
	if out, code := run(t, "openssl", "verify", "-x509_strict", "-purpose", "smimesign", "-attime", fmt.Sprint(signedAt.Unix()), "-CAfile", ca, leaf); code != 0 {
		t.Errorf("openssl verify: %s", out)
	}
	for file, der := range map[string][]byte{ca: id.anchor(), leaf: id.chain[0]} {
		out, _ := run(t, "openssl", "x509", "-in", file, "-noout", "-fingerprint", "-sha256")
		_, print, _ := strings.Cut(strings.TrimSpace(out), "=")
		if !strings.EqualFold(print, Fingerprint(der)) {
			t.Errorf("openssl says %s, Fingerprint %s", print, Fingerprint(der))
		}
	}
	out, _ := run(t, "openssl", "x509", "-in", leaf, "-noout", "-text")
	counts(t, "openssl x509", out, map[string]int{
		"CA:FALSE": 1, "Digital Signature, Non Repudiation": 1, "Public-Key: (3072 bit)": 1,
		"sha256WithRSAEncryption": 2, "Subject Key Identifier": 1, "Authority Key Identifier": 1,
	})
	out, _ = run(t, "openssl", "x509", "-in", ca, "-noout", "-text")
	counts(t, "openssl x509", out, map[string]int{"CA:TRUE, pathlen:0": 1, "Certificate Sign, CRL Sign": 1})
}
