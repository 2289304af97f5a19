package main

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/anypb"

	sv "kettlebook/proto/kettlebook/service/v1"
	"kettlebook/records"
	"kettlebook/records/ledger"
)

func ledgerCommand() *cobra.Command {
	return family("ledger", "The ledger: its entries, its checkpoint, its proofs", ledgerCheck(), ledgerCheckpoint(), ledgerEntries(), ledgerProve())
}

func ledgerCheckpoint() *cobra.Command {
	return reading(&cobra.Command{
		Use:   "checkpoint",
		Short: "Write the signed checkpoint of the ledger as it is now",
		Long: "Writes the checkpoint, a signed note of origin, size and root, and tells the key to check it\n" +
			"with. Kept outside the kitchen, it proves later that the ledger only grew.",
		Args: cobra.NoArgs,
	}, func(ctx context.Context, s *session, _ []string) error {
		r, err := s.Ledger.GetCheckpoint(ctx, &sv.GetCheckpointRequest{})
		if err != nil {
			return err
		}
		if s.json {
			return s.out.object(r)
		}
		s.say("Key: %s", r.GetVerifierKey())
		_, err = s.out.w.WriteString(r.GetCheckpoint())
		return err
	})
}

// entryLine is one entry as ledger entries --json writes it: the bytes as
// stored and hashed, and what they say.
type entryLine struct {
	// LeafSHA256 is the hash of the leaf: SHA-256 of a zero byte and the envelope.
	LeafSHA256 string `json:"leaf_sha256"`
	// Envelope is the entry as stored, in base64.
	Envelope string `json:"envelope"`
	// Entry is the same, readable.
	Entry json.RawMessage `json:"entry"`
}

func ledgerEntries() *cobra.Command {
	var from, most int64
	c := reading(&cobra.Command{
		Use:   "entries",
		Short: "List entries as stored, in order",
		Long: "Lists what stands in the ledger. With --json each line has the entry's bytes exactly as stored\n" +
			"and hashed (base64), the hash of its leaf, and the same in words.",
		Args: cobra.NoArgs,
	}, func(ctx context.Context, s *session, _ []string) error {
		if from < 1 {
			return usage("--from: entries are counted from 1")
		}
		zone := s.zone(ctx)
		var table [][]string
		for token, n := strconv.FormatInt(from, 10), int64(0); token != "" && (most == 0 || n < most); {
			r, err := s.Ledger.ListEntries(ctx, &sv.ListEntriesRequest{PageSize: pageSize, PageToken: token})
			if err != nil {
				return err
			}
			for _, stored := range r.GetRows() {
				if n++; most > 0 && n > most {
					break
				}
				e, err := records.ParseEntry(stored)
				if err != nil {
					return err
				}
				if s.json {
					if err := s.out.entry(stored, e); err != nil {
						return err
					}
					continue
				}
				who := e.GetPerson()
				if who == "" {
					who = word(e.GetKnownBy())
				}
				table = append(table, []string{fmt.Sprint(e.GetSequence()), minute(e.GetRecordedAt(), zone), who, spaced(records.What(e.Message))})
			}
			token = r.GetNextPageToken()
		}
		switch {
		case s.json:
		case len(table) == 0:
			s.say("None.")
		default:
			s.out.table([]string{"ENTRY", "ENTERED", "BY", "WHAT"}, table)
		}
		return nil
	})
	c.Flags().Int64Var(&from, "from", 1, "first entry to show")
	c.Flags().Int64Var(&most, "limit", 0, "most entries to show; 0 shows all")
	return c
}

// spaced writes the name of a kind of record in words: CheckAssessment is a
// check assessment.
func spaced(name string) string {
	if strings.Contains(name, " ") {
		return name
	}
	var b strings.Builder
	for i, r := range name {
		if i > 0 && r >= 'A' && r <= 'Z' {
			b.WriteByte(' ')
		}
		b.WriteRune(r)
	}
	return strings.ToLower(b.String())
}

func (p *printer) entry(stored []byte, e records.Entry) error {
	said, err := records.CompactJSON(e.Envelope)
	if err != nil {
		return err
	}
	leaf := ledger.LeafHash(stored)
	b, err := json.Marshal(entryLine{LeafSHA256: fmt.Sprintf("%x", leaf[:]), Envelope: base64.StdEncoding.EncodeToString(stored), Entry: said})
	if err != nil {
		return err
	}
	_, err = p.w.Write(append(b, '\n'))
	return err
}

// readRecord reads a record with its "@type" from a JSON file.
func readRecord(path string) (*anypb.Any, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	m := new(anypb.Any)
	if err := protojson.Unmarshal(b, m); err != nil {
		return nil, usage("--with %s: is no record: %s\nhint: take the payload of the entry from kettlebook ledger entries --json, and change what was wrong", path, strings.TrimLeft(strings.TrimPrefix(err.Error(), "proto:"), " \u00a0"))
	}
	return m, nil
}

func ledgerProve() *cobra.Command {
	var size int64
	var extends string
	c := reading(&cobra.Command{
		Use:   "prove ENTRY | --extends CHECKPOINT",
		Short: "Prove that an entry is in the ledger, or that the ledger extends a kept checkpoint",
		Long: "Fetches a proof (RFC 6962) and checks it here, with nothing but the entry's bytes and the root.\n" +
			"For an entry, compare the root with the one on a printed log of that size. A kept checkpoint is\n" +
			"a file that ledger checkpoint wrote earlier. Exit code 3: the proof does not hold.",
		Args: cobra.MaximumNArgs(1),
	}, func(ctx context.Context, s *session, args []string) error {
		if (len(args) == 1) == (extends != "") {
			return usage("name an entry, or a kept checkpoint with --extends")
		}
		if extends != "" {
			return s.proveExtends(ctx, extends)
		}
		n, err := strconv.ParseInt(args[0], 10, 64)
		if err != nil || n < 1 {
			return usage("%q is not the number of an entry", args[0])
		}
		r, err := s.Ledger.ProveInclusion(ctx, &sv.ProveInclusionRequest{Sequence: n, Size: size})
		if err != nil {
			return blame(err, map[string]string{"sequence": args[0], "size": "--size"})
		}
		proof, root, err := proofHashes(r.GetHashes(), r.GetRoot())
		if err != nil {
			return err
		}
		if err := ledger.CheckInclusion(proof, r.GetSize(), root, n-1, ledger.LeafHash(r.GetEnvelope())); err != nil {
			return &exitError{exitTampered, err}
		}
		if s.json {
			return s.out.object(r)
		}
		s.out.line(0, fmt.Sprintf("Entry %d is in the ledger of %d entries.", n, r.GetSize()))
		s.out.proof(root, proof)
		return nil
	})
	c.Flags().Int64Var(&size, "size", 0, "size of the ledger to prove it for; the present one when 0")
	c.Flags().StringVar(&extends, "extends", "", "file with a checkpoint kept earlier")
	return c
}

// proveExtends proves that the ledger extends a checkpoint kept in a file.
func (s *session) proveExtends(ctx context.Context, path string) error {
	kept, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	now, err := s.Ledger.GetCheckpoint(ctx, &sv.GetCheckpointRequest{})
	if err != nil {
		return err
	}
	key, err := note.NewVerifier(now.GetVerifierKey())
	if err != nil {
		return fmt.Errorf("the service's key: %w", err)
	}
	old, err := ledger.OpenCheckpoint(kept, key)
	if err != nil {
		return &records.FieldError{Kind: records.ErrInvalid, Field: path, Problem: "is no checkpoint that this ledger's key signed", Cure: "the key in use is " + now.GetVerifierKey()}
	}
	current, err := ledger.OpenCheckpoint([]byte(now.GetCheckpoint()), key)
	if err != nil {
		return err
	}
	if current.Size < old.Size {
		return &exitError{exitTampered, fmt.Errorf("the ledger has %d entries, and the checkpoint was signed over %d: entries are gone", current.Size, old.Size)}
	}
	r, err := s.Ledger.ProveConsistency(ctx, &sv.ProveConsistencyRequest{OldSize: old.Size, NewSize: current.Size})
	if err != nil {
		return err
	}
	proof, root, err := proofHashes(r.GetHashes(), r.GetNewRoot())
	if err != nil {
		return err
	}
	if err := ledger.CheckConsistency(proof, old.Size, old.Root, r.GetNewSize(), root); err != nil || root != current.Root {
		return &exitError{exitTampered, fmt.Errorf("the ledger of %d entries does not extend the one of %d that was signed: entries were changed", r.GetNewSize(), old.Size)}
	}
	if s.json {
		return s.out.object(r)
	}
	s.out.line(0, fmt.Sprintf("The ledger of %d entries extends the one of %d: nothing was changed or taken away.", r.GetNewSize(), old.Size))
	s.out.proof(root, proof)
	return nil
}

func proofHashes(in [][]byte, top []byte) (proof []ledger.Hash, root ledger.Hash, err error) {
	for _, h := range append(in, top) {
		if len(h) != ledger.HashSize {
			return nil, root, fmt.Errorf("%w: a hash of %d bytes in the proof", records.ErrMalformed, len(h))
		}
		proof = append(proof, ledger.Hash(h))
	}
	return proof[:len(in)], ledger.Hash(top), nil
}

// proof writes a root and the hashes that lead to it, in base64 as in checkpoints.
func (p *printer) proof(root ledger.Hash, proof []ledger.Hash) {
	pairs := []string{"root", root.String()}
	for _, h := range proof {
		pairs = append(pairs, "hash", h.String())
	}
	p.fields(0, pairs...)
}

func ledgerCheck() *cobra.Command {
	return reading(&cobra.Command{
		Use:   "check",
		Short: "Recompute the whole ledger from the stored bytes",
		Long: "Recomputes every hash, the sequence, the receipts and what is looked up from the entries as\n" +
			"stored, and compares the ledger with the last checkpoint, which is kept outside it.\n\n" +
			"Exit code: 0 sound; 1 could not check, or only what is looked up differs; 3 the entries are\n" +
			"not those that were appended and signed for.",
		Args: cobra.NoArgs,
	}, func(ctx context.Context, s *session, _ []string) error {
		r, err := s.Ledger.CheckLedger(ctx, &sv.CheckLedgerRequest{})
		if err != nil {
			return err
		}
		if s.json {
			if err := s.out.object(r); err != nil {
				return err
			}
		} else if r.GetSound() {
			s.out.line(0, fmt.Sprintf("Sound: %s.", r.GetFinding()))
			s.out.fields(0, "entries", fmt.Sprint(r.GetSize()), "root", base64.StdEncoding.EncodeToString(r.GetRoot()))
		}
		return unsound(r)
	})
}

// unsound gives the error, and with it the exit code, of a check that found something.
func unsound(r *sv.CheckLedgerResponse) error {
	switch r.GetState() {
	case sv.LedgerState_LEDGER_STATE_SOUND:
		return nil
	case sv.LedgerState_LEDGER_STATE_CHANGED:
		return &exitError{exitTampered, fmt.Errorf("evidence of tampering: %s\nhint: keep the folder as it is; compare it with a backup and with the printed logs", r.GetFinding())}
	case sv.LedgerState_LEDGER_STATE_OLDER_COPY:
		return &exitError{exitTampered, fmt.Errorf("entries are gone: %s\nhint: restore the newest backup; if there is none: kettlebook restore --new-ledger --help", r.GetFinding())}
	case sv.LedgerState_LEDGER_STATE_FORKED:
		return &exitError{exitTampered, fmt.Errorf("another ledger than the one signed for: %s\nhint: keep the folder as it is; compare it with a backup and with the printed logs", r.GetFinding())}
	case sv.LedgerState_LEDGER_STATE_INDEX_DIFFERS:
		return fmt.Errorf("the entries are sound; what is looked up does not follow from them: %s\nhint: stop the service, then kettlebook rebuild", r.GetFinding())
	}
	return fmt.Errorf("the service gave no finding that this version knows")
}
