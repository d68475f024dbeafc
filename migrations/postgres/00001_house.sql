-- +goose Up
-- The house: what kind of database this is, the audit trail, leases, counters, answers to repeated calls, files.
CREATE EXTENSION IF NOT EXISTS btree_gist;

CREATE TABLE meta (
    name  text PRIMARY KEY,
    value text NOT NULL
);

INSERT INTO meta (name, value) VALUES
    ('product', 'kitd'),
    ('min_binary', '1'),
    ('audit_head', '0 0000000000000000000000000000000000000000000000000000000000000000');

CREATE TABLE audit (
    id           uuid PRIMARY KEY,
    seq          bigint UNIQUE,
    account_id   uuid,
    job          text NOT NULL,
    role         text NOT NULL,
    via          text NOT NULL,
    request      text NOT NULL,
    noun         text NOT NULL CHECK (noun <> ''),
    noun_id      uuid,
    verb         text NOT NULL CHECK (verb <> ''),
    client_id    uuid,
    occurred     bigint NOT NULL,
    entered      bigint NOT NULL,
    before_state text,
    after_state  text,
    private      text,
    salt         bytea,
    private_hash bytea CHECK (length(private_hash) = 32),
    hash         bytea CHECK (length(hash) = 32),
    CHECK ((seq IS NULL) = (hash IS NULL)),
    CHECK ((private IS NULL) = (salt IS NULL))
);

CREATE INDEX audit_unsealed ON audit (id) WHERE seq IS NULL;
CREATE INDEX audit_noun ON audit (noun_id, entered);

-- kitd_frozen refuses whatever fires it; the message carries the fault's code.
-- +goose StatementBegin
CREATE FUNCTION kitd_frozen() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'kitd:frozen';
END
$$;
-- +goose StatementEnd

-- Two changes are allowed: the sealer fills seq and hash once, and a private payload is erased with its salt.
CREATE TRIGGER audit_frozen BEFORE UPDATE ON audit FOR EACH ROW
WHEN (NOT (
    (NEW.id, NEW.account_id, NEW.job, NEW.role, NEW.via, NEW.request, NEW.noun, NEW.noun_id, NEW.verb, NEW.client_id,
     NEW.occurred, NEW.entered, NEW.before_state, NEW.after_state, NEW.private_hash)
    IS NOT DISTINCT FROM
    (OLD.id, OLD.account_id, OLD.job, OLD.role, OLD.via, OLD.request, OLD.noun, OLD.noun_id, OLD.verb, OLD.client_id,
     OLD.occurred, OLD.entered, OLD.before_state, OLD.after_state, OLD.private_hash)
    AND (NEW.seq IS NOT DISTINCT FROM OLD.seq OR OLD.seq IS NULL)
    AND (NEW.hash IS NOT DISTINCT FROM OLD.hash OR OLD.hash IS NULL)
    AND (NEW.private IS NOT DISTINCT FROM OLD.private OR NEW.private IS NULL)
    AND (NEW.salt IS NOT DISTINCT FROM OLD.salt OR NEW.salt IS NULL)
))
EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER audit_kept BEFORE DELETE ON audit FOR EACH ROW EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER audit_not_emptied BEFORE TRUNCATE ON audit FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();

CREATE TABLE lease (
    name   text PRIMARY KEY,
    holder text NOT NULL,
    until  bigint NOT NULL
);

CREATE TABLE counter (
    name  text PRIMARY KEY,
    value bigint NOT NULL
);

CREATE TABLE answer (
    actor        text NOT NULL,
    key          text NOT NULL,
    request_hash bytea NOT NULL CHECK (length(request_hash) = 32),
    status       bigint NOT NULL,
    body         bytea NOT NULL,
    noun         text NOT NULL,
    noun_id      uuid,
    expires      bigint NOT NULL,
    PRIMARY KEY (actor, key)
);

CREATE INDEX answer_expires ON answer (expires);

-- A file is complete once it has its hash; until then it is an upload that may be swept.
CREATE TABLE file (
    id      uuid PRIMARY KEY,
    hash    bytea CHECK (length(hash) = 32),
    size    bigint NOT NULL,
    entered bigint NOT NULL,
    erased  bigint
);

CREATE UNIQUE INDEX file_hash ON file (hash) WHERE erased IS NULL;

CREATE TABLE file_chunk (
    file_id uuid NOT NULL REFERENCES file (id),
    n       bigint NOT NULL,
    data    bytea NOT NULL,
    UNIQUE (file_id, n)
);

-- Levels and photos are compressed already.
ALTER TABLE file_chunk ALTER COLUMN data SET STORAGE EXTERNAL;

CREATE TRIGGER file_frozen BEFORE UPDATE ON file FOR EACH ROW
WHEN (OLD.hash IS NOT NULL AND NOT (
    (NEW.id, NEW.hash, NEW.size, NEW.entered) IS NOT DISTINCT FROM (OLD.id, OLD.hash, OLD.size, OLD.entered)
    AND OLD.erased IS NULL AND NEW.erased IS NOT NULL
))
EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER file_kept BEFORE DELETE ON file FOR EACH ROW WHEN (OLD.hash IS NOT NULL) EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER file_chunk_frozen BEFORE UPDATE ON file_chunk FOR EACH ROW EXECUTE FUNCTION kitd_frozen();

-- +goose StatementBegin
CREATE FUNCTION kitd_file_chunk() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' THEN
        IF EXISTS (SELECT 1 FROM file WHERE id = OLD.file_id AND hash IS NOT NULL AND erased IS NULL) THEN
            RAISE EXCEPTION 'kitd:frozen';
        END IF;
        RETURN OLD;
    END IF;
    IF EXISTS (SELECT 1 FROM file WHERE id = NEW.file_id AND hash IS NOT NULL) THEN
        RAISE EXCEPTION 'kitd:frozen';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd

CREATE TRIGGER file_chunk_kept BEFORE INSERT OR DELETE ON file_chunk FOR EACH ROW EXECUTE FUNCTION kitd_file_chunk();
