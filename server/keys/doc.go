// Package keys keeps the secrets of one kitchen in one folder. It is the only
// place that reads or writes key files; everyone else is handed a signer, a
// verifier or a certificate.
//
// The folder (mode 0700) holds, each file with mode 0600:
//
//	layout                  the version of this arrangement
//	ledger-0001.key         Ed25519 key that signs the ledger's checkpoints
//	checkpoint-0001         the last checkpoint that key signed (empty: none yet)
//	seal-0001.pem           RSA key that seals documents, its certificate, its CA
//	tls-authority-0001.pem  ECDSA P-256 key and certificate of the private CA
//	tls-server-0001.pem     ECDSA P-256 key and certificate of the server
//	pin-pepper-0001.key     32 random bytes mixed into every PIN
//
// Numbers count up. The highest of a kind is in use, the lower ones are retired
// and stay where they are. There is no list of what is current that could
// disagree with the files, and key and certificates of a pair share one file, so
// every change is the appearance of one file: it happened or it did not.
//
// A file is written under a temporary name, synced, renamed, and the folder is
// synced. A crash in between leaves a file named .new-*, which is never read and
// may be deleted. A whole folder is made the same way, beside its final name.
//
// Reading refuses a file or folder that others than the owner may open: a key
// that others could have read has to be looked at by a person, not used on.
//
// Time and randomness are handed in, with one exception that is Go's, not ours:
// since Go 1.26 crypto/rsa and crypto/ecdsa draw new keys from the system's
// random source whatever reader they are given. The Ed25519 key, the pepper and
// the serial numbers do come from the reader.
package keys
