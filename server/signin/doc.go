// Package signin knows people by their PIN. It keeps PIN verifiers, gives out
// sessions and the single-use tokens that stand behind a signature, and slows
// down whoever guesses.
//
// # What is kept
//
// A verifier is argon2id over HMAC-SHA256(pepper, PIN), with its salt and
// parameters beside it. The pepper lies with the key files and not in the
// database, so that a stolen database alone gives no PIN: of a four-digit PIN
// there are only ten thousand, and no hash withstands trying them all. Session
// and signing tokens are 32 random bytes; only their SHA-256 is kept. Names that
// were typed at sign-in are kept as HMAC under the pepper only, because people
// type their PIN into the wrong field.
//
// # Guessing
//
// Wrong PINs are answered with delays that grow and end by themselves. Nothing
// is ever locked for good: a lock that a person has to open is a way to stop a
// kitchen, and somebody would open it for whoever asks. Three counts are kept:
//
//   - by person, over all places: after PersonFree failures (3) the next try has
//     to wait 2 s, then 4 s, 8 s, ... up to 15 min. This is what holds guessers:
//     at the longest delay one person's PIN can be tried 96 times a day, about
//     one in a hundred of all four-digit PINs and one in ten thousand of the
//     six-digit ones.
//   - by source (a tablet or an address), over all persons: after SourceFree
//     failures (10) 1 s, 2 s, ... up to 1 min. It holds who tries one common PIN
//     on everybody. It is short because a whole kitchen may share a tablet.
//   - by person at a source. Who has signed in at a tablet within the last 30
//     days is familiar there. A familiar person waits for neither of the first
//     two delays until failing 3 times in a row at that tablet.
//
// So a guesser at one place delays a person at places where that person was not
// seen lately, and there up to 15 min at a time; at the tablets people work at,
// they sign in as ever, and everybody else does too. A session that is open, and
// the PIN asked again for a signature from a familiar tablet, notice nothing of
// it. The price is three guesses at a familiar tablet after each time that the
// person signs in there: few, made standing in the kitchen, and reported to the
// person at the next sign-in (Session.FailedBefore).
//
// A try during a delay is refused unseen: it costs no computation, and it does
// not lengthen the delay. A try is counted before it is computed, so that many
// at once gain nothing. Counts are forgotten a day after the last failure, and
// when the person signs in after all or is given a new PIN.
//
// A name that nobody has is treated like a wrong PIN in every step: the same
// computation, the same counts, the same error.
//
// # One desk
//
// A Desk reads, decides and writes under its own locks: one Desk a Vault. Only
// the use of a signing token is atomic in the Vault itself.
package signin
