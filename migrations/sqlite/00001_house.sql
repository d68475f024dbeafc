-- +goose Up
-- The house: what kind of database this is, the audit trail, leases, counters, answers to repeated calls, files.
-- application_id spells "kitd".
PRAGMA application_id = 1802072164;

CREATE TABLE meta (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

INSERT INTO meta (name, value) VALUES
    ('product', 'kitd'),
    ('min_binary', '1'),
    ('audit_head', '0 0000000000000000000000000000000000000000000000000000000000000000');

CREATE TABLE audit (
    id           BLOB PRIMARY KEY CHECK (length(id) = 16),
    seq          INTEGER UNIQUE,
    account_id   BLOB CHECK (length(account_id) = 16),
    job          TEXT NOT NULL,
    role         TEXT NOT NULL,
    via          TEXT NOT NULL,
    request      TEXT NOT NULL,
    noun         TEXT NOT NULL CHECK (noun <> ''),
    noun_id      BLOB CHECK (length(noun_id) = 16),
    verb         TEXT NOT NULL CHECK (verb <> ''),
    client_id    BLOB CHECK (length(client_id) = 16),
    occurred     INTEGER NOT NULL,
    entered      INTEGER NOT NULL,
    before_state TEXT,
    after_state  TEXT,
    private      TEXT,
    salt         BLOB,
    private_hash BLOB CHECK (length(private_hash) = 32),
    hash         BLOB CHECK (length(hash) = 32),
    CHECK ((seq IS NULL) = (hash IS NULL)),
    CHECK ((private IS NULL) = (salt IS NULL))
) STRICT;

CREATE INDEX audit_unsealed ON audit (id) WHERE seq IS NULL;
CREATE INDEX audit_noun ON audit (noun_id, entered);

-- Two changes are allowed: the sealer fills seq and hash once, and a private payload is erased with its salt.
-- +goose StatementBegin
CREATE TRIGGER audit_frozen BEFORE UPDATE ON audit
WHEN NOT (
    NEW.id IS OLD.id AND NEW.account_id IS OLD.account_id AND NEW.job IS OLD.job AND NEW.role IS OLD.role
    AND NEW.via IS OLD.via AND NEW.request IS OLD.request AND NEW.noun IS OLD.noun AND NEW.noun_id IS OLD.noun_id
    AND NEW.verb IS OLD.verb AND NEW.client_id IS OLD.client_id AND NEW.occurred IS OLD.occurred
    AND NEW.entered IS OLD.entered AND NEW.before_state IS OLD.before_state AND NEW.after_state IS OLD.after_state
    AND NEW.private_hash IS OLD.private_hash
    AND (NEW.seq IS OLD.seq OR OLD.seq IS NULL) AND (NEW.hash IS OLD.hash OR OLD.hash IS NULL)
    AND (NEW.private IS OLD.private OR NEW.private IS NULL) AND (NEW.salt IS OLD.salt OR NEW.salt IS NULL)
)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER audit_kept BEFORE DELETE ON audit
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

CREATE TABLE lease (
    name   TEXT PRIMARY KEY,
    holder TEXT NOT NULL,
    until  INTEGER NOT NULL
) STRICT;

CREATE TABLE counter (
    name  TEXT PRIMARY KEY,
    value INTEGER NOT NULL
) STRICT;

CREATE TABLE answer (
    actor        TEXT NOT NULL,
    key          TEXT NOT NULL,
    request_hash BLOB NOT NULL CHECK (length(request_hash) = 32),
    status       INTEGER NOT NULL,
    body         BLOB NOT NULL,
    noun         TEXT NOT NULL,
    noun_id      BLOB CHECK (length(noun_id) = 16),
    expires      INTEGER NOT NULL,
    PRIMARY KEY (actor, key)
) STRICT;

CREATE INDEX answer_expires ON answer (expires);

-- A file is complete once it has its hash; until then it is an upload that may be swept.
CREATE TABLE file (
    id      BLOB PRIMARY KEY CHECK (length(id) = 16),
    hash    BLOB CHECK (length(hash) = 32),
    size    INTEGER NOT NULL,
    entered INTEGER NOT NULL,
    erased  INTEGER
) STRICT;

CREATE UNIQUE INDEX file_hash ON file (hash) WHERE erased IS NULL;

CREATE TABLE file_chunk (
    file_id BLOB NOT NULL REFERENCES file (id),
    n       INTEGER NOT NULL,
    data    BLOB NOT NULL,
    UNIQUE (file_id, n)
) STRICT;

-- +goose StatementBegin
CREATE TRIGGER file_frozen BEFORE UPDATE ON file
WHEN OLD.hash IS NOT NULL AND NOT (
    NEW.id IS OLD.id AND NEW.hash IS OLD.hash AND NEW.size IS OLD.size AND NEW.entered IS OLD.entered
    AND OLD.erased IS NULL AND NEW.erased IS NOT NULL
)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER file_kept BEFORE DELETE ON file WHEN OLD.hash IS NOT NULL
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER file_chunk_frozen BEFORE UPDATE ON file_chunk
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER file_chunk_kept BEFORE DELETE ON file_chunk
WHEN EXISTS (SELECT 1 FROM file WHERE id = OLD.file_id AND hash IS NOT NULL AND erased IS NULL)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER file_chunk_closed BEFORE INSERT ON file_chunk
WHEN EXISTS (SELECT 1 FROM file WHERE id = NEW.file_id AND hash IS NOT NULL)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- INSERT OR REPLACE removes rows without asking the triggers above.
-- +goose StatementBegin
CREATE TRIGGER audit_once BEFORE INSERT ON audit
WHEN EXISTS (SELECT 1 FROM audit o WHERE o.id = NEW.id OR o.seq = NEW.seq)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER file_once BEFORE INSERT ON file
WHEN EXISTS (SELECT 1 FROM file o WHERE o.id = NEW.id AND o.hash IS NOT NULL OR o.hash = NEW.hash AND o.erased IS NULL)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd
