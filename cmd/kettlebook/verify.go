package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kettlebook/records"
	"kettlebook/reports/seal"
)

func verifyCommand() *cobra.Command {
	var trust, against string
	var asJSON bool
	c := &cobra.Command{
		Use:   "verify FILE.pdf|DIR [--trust FINGERPRINT|ca.pem|DIR] [--against OLDER.pdf|DIR]",
		Short: "Check sealed logs: that nothing changed, who sealed them, that the ledger only grew",
		Long: "Checks the seal of a log, that its data is the data that was signed, and that the ledger it\n" +
			"prints extends every earlier log it names. It needs an anchor to know the signer by: the\n" +
			"fingerprint printed at init, seal-ca.pem, or the kitchen's folder.\n\n" +
			"Exit code: 0 sound; 1 could not check, or the signer is not known; 2 called wrongly;\n" +
			"3 evidence of tampering. A seal proves no change since sealing, not that a reading was true.",
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			t := seal.Trust{CheckedAt: time.Now()}
			if trust != "" {
				if err := addTrust(&t, trust); err != nil {
					return &exitError{exitUsage, err}
				}
			}
			v := &verifier{trust: t}
			if err := v.all(args[0], against); err != nil {
				return err
			}
			return v.report(c.OutOrStdout(), asJSON)
		},
	}
	f := c.Flags()
	f.StringVar(&trust, "trust", "", "anchor: SHA-256 fingerprint of the seal or its CA, a PEM file, or a folder with seal-ca.pem")
	f.StringVar(&against, "against", "", "an older log, or a folder of them, that the ledger must extend")
	f.BoolVar(&asJSON, "json", false, "write the findings as JSON")
	return c
}

// addTrust takes a fingerprint, a PEM file, or a folder that holds one.
func addTrust(t *seal.Trust, anchor string) error {
	info, err := os.Stat(anchor)
	switch {
	case err == nil && info.IsDir():
		for _, name := range []string{"seal-ca.pem", "ca.pem"} {
			b, err := os.ReadFile(filepath.Join(anchor, name))
			if errors.Is(err, fs.ErrNotExist) {
				continue
			}
			if err != nil {
				return err
			}
			return t.AddPEM(b)
		}
		return fmt.Errorf("there is no seal-ca.pem in %s\nhint: give the kitchen's folder, or the certificate itself", anchor)
	case err == nil:
		b, err := os.ReadFile(anchor)
		if err != nil {
			return err
		}
		return t.AddPEM(b)
	}
	if err := t.AddFingerprint(anchor); err != nil {
		return fmt.Errorf("%q is neither a file nor a fingerprint\nhint: a fingerprint is 64 hexadecimal digits, with or without colons", anchor)
	}
	return nil
}

// finding is one line of what verify has to say.
type finding struct {
	// File it is about.
	File string `json:"file"`
	// Code is the exit code it asks for.
	Code int `json:"code"`
	// What, in words.
	What string `json:"what"`
}

// verifier gathers findings over files.
type verifier struct {
	trust    seal.Trust
	logs     []*sealedLog
	findings []finding
}

func (v *verifier) note(file string, code int, format string, args ...any) {
	v.findings = append(v.findings, finding{filepath.Base(file), code, fmt.Sprintf(format, args...)})
}

// worst gives the gravest exit code: tampering over not checked over sound.
func (v *verifier) worst() int {
	code := exitSound
	for _, f := range v.findings {
		switch {
		case f.Code == exitTampered:
			return exitTampered
		case f.Code != exitSound:
			code = exitFailed
		}
	}
	return code
}

// all checks a file or all logs of a folder, and against older ones.
func (v *verifier) all(path, against string) error {
	paths, isDir, err := logPaths(path)
	if err != nil {
		return err
	}
	for _, p := range paths {
		if l := v.file(p); l != nil {
			v.logs = append(v.logs, l)
		}
	}
	if isDir {
		v.serials(path)
	}
	v.across(v.logs)
	if against == "" {
		return nil
	}
	older, _, err := logPaths(against)
	if err != nil {
		return err
	}
	before := len(v.logs)
	for _, p := range older {
		if l := v.file(p); l != nil {
			v.against(v.logs[:before], l)
		}
	}
	return nil
}

func logPaths(path string) (paths []string, isDir bool, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, false, &records.FieldError{Kind: records.ErrNotFound, Problem: "there is no " + path, Cure: "give a sealed log, or the folder that holds them"}
	}
	if !info.IsDir() {
		return []string{path}, false, nil
	}
	if exists(filepath.Join(path, "logs")) {
		path = filepath.Join(path, "logs")
	}
	paths, err = filepath.Glob(filepath.Join(path, "*.pdf"))
	if err == nil && len(paths) == 0 {
		err = &records.FieldError{Kind: records.ErrNotFound, Problem: "there are no PDF files in " + path, Cure: "give the folder that holds the logs"}
	}
	slices.Sort(paths)
	return paths, true, err
}

// file checks one log by itself; nil when its data cannot be used.
func (v *verifier) file(path string) *sealedLog {
	b, err := os.ReadFile(path)
	if err != nil {
		v.note(path, exitFailed, "cannot be read: %v", err)
		return nil
	}
	r := seal.Verify(b, v.trust)
	switch r.Verdict {
	case seal.Tampered:
		for _, f := range r.Findings {
			v.note(path, exitTampered, "%s", f)
		}
		if len(r.Findings) == 0 {
			v.note(path, exitTampered, "the seal does not hold")
		}
		return nil
	case seal.NotSigned:
		v.note(path, exitFailed, "is not sealed")
		return nil
	}
	l, err := readLog(path, b)
	if err != nil {
		v.note(path, exitTampered, "sealed, but its data cannot be used: %v", err)
		return nil
	}
	for _, problem := range l.problems(r.Signatures[0].Fingerprint) {
		v.note(path, exitTampered, "%s", problem)
	}
	if r.Verdict == seal.UnknownSigner {
		v.note(path, exitFailed, "intact, signer not known: serial %d, production day %s, sealed by %s (%s)", l.log.GetSerial(), l.content.GetProductionDay(), r.Signatures[0].CommonName, r.Signatures[0].Fingerprint)
		return l
	}
	how := "reviewed by " + l.log.GetReviewer().GetPrintedName()
	if l.log.GetReview() == nil {
		how = "sealed by software, not reviewed by a person"
	}
	v.note(path, exitSound, "sound: serial %d, production day %s, issue %d, %s; ledger of %d entries, extends %d earlier logs", l.log.GetSerial(), l.content.GetProductionDay(), l.log.GetIssue(), how, l.checkpoint.Size, len(l.log.GetPrevious()))
	for _, n := range l.log.GetRestored() {
		v.note(path, exitSound, "note: %s", n)
	}
	return l
}

// serials reports logs that are missing from a folder.
func (v *verifier) serials(path string) {
	have := map[uint32]bool{}
	last := uint32(0)
	for _, l := range v.logs {
		have[l.log.GetSerial()] = true
		last = max(last, l.log.GetSerial())
	}
	var missing []string
	for n := uint32(1); n <= last; n++ {
		if !have[n] {
			missing = append(missing, fmt.Sprint(n))
		}
	}
	if len(missing) > 0 {
		v.note(path, exitFailed, "missing serials: %s", strings.Join(missing, ", "))
	}
}

// across compares the logs of a folder with what each says of the others.
func (v *verifier) across(logs []*sealedLog) {
	for _, l := range logs {
		for _, ref := range l.log.GetPrevious() {
			for _, other := range logs {
				if other.log.GetSerial() != ref.GetSerial() || other.checkpoint.Origin != l.checkpoint.Origin {
					continue
				}
				if string(other.sum[:]) != string(ref.GetPdfSha256()) {
					v.note(l.path, exitTampered, "names serial %d as %s, but that file is another one", ref.GetSerial(), hex.EncodeToString(ref.GetPdfSha256())[:16])
				}
				if other.checkpoint.Size == ref.GetLedgerSize() && string(other.checkpoint.Root[:]) != string(ref.GetRoot()) {
					v.note(l.path, exitTampered, "the ledger of serial %d is not the one this log extends", ref.GetSerial())
				}
			}
		}
	}
}

// against says whether the ledger of the logs extends that of an older one.
func (v *verifier) against(logs []*sealedLog, older *sealedLog) {
	for _, l := range logs {
		switch {
		case l.checkpoint.Origin != older.checkpoint.Origin && len(l.log.GetRestored()) > 0:
			v.note(l.path, exitFailed, "continues under a new origin after a restore; entries after %s may be lost: compare with the notice on the log", filepath.Base(older.path))
		case l.checkpoint.Origin != older.checkpoint.Origin || l.log.GetVerifierKey() != older.log.GetVerifierKey():
			v.note(l.path, exitTampered, "is of another ledger (%s) than %s (%s)", l.checkpoint.Origin, filepath.Base(older.path), older.checkpoint.Origin)
		case l.checkpoint.Size < older.checkpoint.Size:
			v.compare(older, l, l.path)
		default:
			v.compare(l, older, l.path)
		}
	}
}

// compare proves that the ledger of newer extends that of older.
func (v *verifier) compare(newer, older *sealedLog, file string) {
	if newer.checkpoint.Size == older.checkpoint.Size {
		if newer.checkpoint.Root != older.checkpoint.Root {
			v.note(file, exitTampered, "two ledgers of %d entries under one name: a fork", older.checkpoint.Size)
		}
		return
	}
	for _, ref := range newer.log.GetPrevious() {
		if ref.GetLedgerSize() != older.checkpoint.Size {
			continue
		}
		if string(ref.GetRoot()) != string(older.checkpoint.Root[:]) {
			v.note(file, exitTampered, "does not extend the ledger of %s: a fork, or entries were changed", filepath.Base(older.path))
			return
		}
		v.note(file, exitSound, "the ledger of %d entries extends the %d entries of %s", newer.checkpoint.Size, older.checkpoint.Size, filepath.Base(older.path))
		return
	}
	for _, ref := range newer.log.GetPrevious() {
		if ref.GetSerial() == older.log.GetSerial() {
			v.note(file, exitTampered, "does not extend the ledger of %s: it knows another serial %d", filepath.Base(older.path), older.log.GetSerial())
			return
		}
	}
	v.note(file, exitFailed, "cannot be compared with %s directly: it proves the last %d logs only; verify the folder that holds those between", filepath.Base(older.path), len(newer.log.GetPrevious()))
}

// report writes what was found and gives the exit code.
func (v *verifier) report(out io.Writer, asJSON bool) error {
	if asJSON {
		e := json.NewEncoder(out)
		for _, f := range v.findings {
			if err := e.Encode(f); err != nil {
				return err
			}
		}
	} else {
		for _, f := range v.findings {
			word := map[int]string{exitSound: "ok", exitTampered: "TAMPERED"}[f.Code]
			if word == "" {
				word = "not shown"
			}
			fmt.Fprintf(out, "%s: %s: %s\n", f.File, word, f.What)
		}
	}
	switch code := v.worst(); code {
	case exitSound:
		return nil
	case exitTampered:
		return &exitError{code, errors.New("evidence of tampering")}
	default:
		if v.trust.Empty() {
			return &exitError{code, errors.New("the signer is not known\nhint: give the fingerprint printed at init, or the kitchen's folder, with --trust")}
		}
		return &exitError{code, errors.New("not everything could be checked")}
	}
}

func sum(b []byte) [sha256.Size]byte { return sha256.Sum256(b) }
