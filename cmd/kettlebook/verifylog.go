package main

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/encoding/protojson"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/records/ledger"
	"kettlebook/reports/seal"
)

// sealedLog is a log read back from its file, with nothing of the server.
type sealedLog struct {
	path       string
	sum        [32]byte
	log        *kb.DayLog
	content    *kb.DayContent
	checkpoint ledger.Checkpoint
}

// readLog reads the data attached to a log.
func readLog(path string, pdf []byte) (*sealedLog, error) {
	files, err := seal.Attachments(pdf)
	if err != nil {
		return nil, err
	}
	l := &sealedLog{path: path, sum: sum(pdf), log: new(kb.DayLog)}
	var content []byte
	for _, f := range files {
		switch f.Name {
		case contentFile:
			content = f.Data
		case logFile:
			if err := protojson.Unmarshal(f.Data, l.log); err != nil {
				return nil, fmt.Errorf("%s: %w", logFile, err)
			}
		}
	}
	if content == nil || l.log.GetSerial() == 0 {
		return nil, errors.New("the data of the log is not attached")
	}
	if string(content) != string(l.log.GetContent()) {
		return nil, fmt.Errorf("%s differs from the content in %s", contentFile, logFile)
	}
	if l.content, err = parseContent(content); err != nil {
		return nil, err
	}
	v, err := note.NewVerifier(l.log.GetVerifierKey())
	if err != nil {
		return nil, fmt.Errorf("verifier key: %w", err)
	}
	l.checkpoint, err = ledger.OpenCheckpoint([]byte(l.log.GetCheckpoint()), v)
	if err != nil {
		return nil, fmt.Errorf("checkpoint: %w", err)
	}
	return l, nil
}

// problems compares everything in a log with everything else in it: content
// against hash, hash against the signed entry, entry against the checkpoint,
// and the checkpoint against those of earlier logs.
func (l *sealedLog) problems(signer string) []string {
	var out []string
	bad := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	hash := sum(l.log.GetContent())
	if string(hash[:]) != string(l.log.GetContentSha256()) {
		bad("the day's content is not the one whose hash is printed")
	}
	if l.log.GetSealFingerprint() != signer {
		bad("sealed with another certificate than the one printed")
	}
	e, err := records.ParseEntry(l.log.GetCauseEnvelope())
	if err != nil {
		bad("the review or seal entry cannot be read: %v", err)
		return out
	}
	if e.GetSequence() != l.log.GetCauseSequence() || l.checkpoint.Size != l.log.GetCauseSequence() {
		bad("the checkpoint is not the one of the review or seal entry")
		return out
	}
	var signed []byte
	day := ""
	switch m := e.Message.(type) {
	case *kb.DayReview:
		signed, day = m.GetContentSha256(), m.GetProductionDay()
		if l.log.GetReviewer().GetInitials() != e.GetPerson() {
			bad("the reviewer printed is not the one who signed")
		}
	case *kb.DaySeal:
		signed, day = m.GetContentSha256(), m.GetProductionDay()
		if l.log.GetReview() != nil {
			bad("a review is printed, but none was signed")
		}
	default:
		bad("the entry that the log rests on is neither a review nor a seal")
		return out
	}
	if string(signed) != string(hash[:]) || day != l.content.GetProductionDay() {
		bad("the day's content is not the one that was signed")
	}
	proof, err := proofOf(l.log.GetCauseProof())
	if err == nil {
		err = ledger.CheckInclusion(proof, l.checkpoint.Size, l.checkpoint.Root, l.log.GetCauseSequence()-1, ledger.LeafHash(l.log.GetCauseEnvelope()))
	}
	if err != nil {
		bad("the review or seal entry is not in the ledger of the checkpoint: %v", err)
	}
	for _, ref := range l.log.GetPrevious() {
		proof, err := proofOf(ref.GetConsistencyProof())
		var root ledger.Hash
		copy(root[:], ref.GetRoot())
		if err == nil {
			err = ledger.CheckConsistency(proof, ref.GetLedgerSize(), root, l.checkpoint.Size, l.checkpoint.Root)
		}
		if err != nil {
			bad("the ledger does not extend that of serial %d: %v", ref.GetSerial(), err)
		}
	}
	return out
}

func proofOf(raw [][]byte) ([]ledger.Hash, error) {
	out := make([]ledger.Hash, len(raw))
	for i, b := range raw {
		if len(b) != len(out[i]) {
			return nil, errors.New("a hash of a proof has the wrong length")
		}
		copy(out[i][:], b)
	}
	return out, nil
}
