-- Dumped by TestSchemaDump (go test -update); the migrations make it.

CREATE TABLE days (
    site INTEGER NOT NULL,
    day  TEXT    NOT NULL,
    kind TEXT    NOT NULL,
    id   TEXT    NOT NULL,
    PRIMARY KEY (site, day, kind, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE documents (
    site     INTEGER NOT NULL,
    kind     TEXT    NOT NULL,
    id       TEXT    NOT NULL,
    day      TEXT    NOT NULL, -- '' for none
    sequence INTEGER NOT NULL, -- of the entry that wrote it last
    keys     BLOB    NOT NULL, -- its rows in index_keys, so that they can be found again
    body     BLOB    NOT NULL,
    PRIMARY KEY (site, kind, id)
) STRICT;

CREATE TABLE entries (
    site     INTEGER NOT NULL,
    sequence INTEGER NOT NULL CHECK (sequence >= 1),
    envelope BLOB    NOT NULL CHECK (length(envelope) > 0),
    PRIMARY KEY (site, sequence)
) STRICT;

CREATE TRIGGER entries_append BEFORE INSERT ON entries
WHEN NEW.sequence <> 1 + (SELECT coalesce(max(sequence), 0) FROM entries WHERE site = NEW.site)
BEGIN SELECT RAISE(ABORT, 'entries are only appended, without holes'); END;

CREATE TRIGGER entries_delete BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never removed'); END;

CREATE TRIGGER entries_update BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;

CREATE TABLE index_keys (
    site  INTEGER NOT NULL,
    kind  TEXT    NOT NULL,
    name  TEXT    NOT NULL,
    value TEXT    NOT NULL,
    id    TEXT    NOT NULL,
    PRIMARY KEY (site, kind, name, value, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE leaves (
    site     INTEGER NOT NULL,
    position INTEGER NOT NULL CHECK (position >= 0),
    hash     BLOB    NOT NULL CHECK (length(hash) = 32),
    PRIMARY KEY (site, position)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER leaves_append BEFORE INSERT ON leaves
WHEN NEW.position <> (SELECT coalesce(max(position) + 1, 0) FROM leaves WHERE site = NEW.site)
BEGIN SELECT RAISE(ABORT, 'leaves are only appended, without holes'); END;

CREATE TRIGGER leaves_delete BEFORE DELETE ON leaves
BEGIN SELECT RAISE(ABORT, 'leaves are never removed'); END;

CREATE TRIGGER leaves_update BEFORE UPDATE ON leaves
BEGIN SELECT RAISE(ABORT, 'leaves are never changed'); END;

CREATE TABLE projections (
    site    INTEGER NOT NULL PRIMARY KEY,
    version INTEGER NOT NULL
) STRICT;

CREATE TABLE readings (
    site       INTEGER NOT NULL,
    sequence   INTEGER NOT NULL,
    part       INTEGER NOT NULL,
    series     TEXT    NOT NULL,
    instrument TEXT    NOT NULL,
    long       INTEGER NOT NULL, -- 1 when it lasts longer than maxShortRun
    first_at   INTEGER NOT NULL, -- unix microseconds
    last_at    INTEGER NOT NULL,
    count      INTEGER NOT NULL,
    body       BLOB    NOT NULL,
    PRIMARY KEY (site, sequence, part)
) STRICT;

CREATE INDEX readings_instrument ON readings (site, instrument, long, first_at, sequence, part);

CREATE INDEX readings_series ON readings (site, series, first_at, sequence, part);

CREATE TABLE receipts (
    site           INTEGER NOT NULL,
    request_id     TEXT    NOT NULL CHECK (request_id <> ''),
    content_hash   BLOB    NOT NULL CHECK (length(content_hash) = 32),
    first_sequence INTEGER NOT NULL CHECK (first_sequence >= 1),
    entry_count    INTEGER NOT NULL CHECK (entry_count >= 1),
    PRIMARY KEY (site, request_id)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER receipts_append BEFORE INSERT ON receipts
WHEN EXISTS (SELECT 1 FROM receipts WHERE site = NEW.site AND request_id = NEW.request_id)
BEGIN SELECT RAISE(ABORT, 'a request id has one receipt'); END;

CREATE TRIGGER receipts_delete BEFORE DELETE ON receipts
BEGIN SELECT RAISE(ABORT, 'receipts are never removed'); END;

CREATE TRIGGER receipts_update BEFORE UPDATE ON receipts
BEGIN SELECT RAISE(ABORT, 'receipts are never changed'); END;

CREATE TABLE secrets (
    site       INTEGER NOT NULL,
    bucket     TEXT    NOT NULL,
    key        TEXT    NOT NULL,
    value      BLOB    NOT NULL,
    expires_at INTEGER NOT NULL, -- unix microseconds, 0 for never
    PRIMARY KEY (site, bucket, key)
) STRICT, WITHOUT ROWID;
