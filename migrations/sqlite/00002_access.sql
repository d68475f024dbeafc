-- +goose Up
-- Who may come in: accounts, the clients they see, their passwords, logins, tokens and one-time links.
-- Secrets are kept as digests; a password as an argon2id hash beside the account, so that reading an account never reads it.
CREATE TABLE account (
    id          BLOB PRIMARY KEY CHECK (length(id) = 16),
    version     INTEGER NOT NULL CHECK (version > 0),
    name        TEXT NOT NULL CHECK (name <> ''),
    folded      TEXT NOT NULL UNIQUE CHECK (folded <> ''),
    display     TEXT NOT NULL,
    mail        TEXT NOT NULL DEFAULT '',
    role        TEXT NOT NULL CHECK (role IN ('administrator', 'coordinator', 'surveyor', 'viewer')),
    locale      TEXT NOT NULL,
    zone        TEXT NOT NULL,
    disabled    INTEGER NOT NULL CHECK (disabled IN (0, 1)),
    all_clients INTEGER NOT NULL CHECK (all_clients IN (0, 1)),
    created     INTEGER NOT NULL
) STRICT;

CREATE TABLE account_password (
    account_id BLOB PRIMARY KEY REFERENCES account (id),
    hash       TEXT NOT NULL CHECK (hash LIKE '$argon2id$%'),
    changed    INTEGER NOT NULL
) STRICT;

CREATE TABLE account_client (
    account_id BLOB NOT NULL REFERENCES account (id),
    client_id  BLOB NOT NULL CHECK (length(client_id) = 16),
    PRIMARY KEY (account_id, client_id)
) STRICT;

CREATE TABLE session (
    digest     BLOB PRIMARY KEY CHECK (length(digest) = 32),
    account_id BLOB NOT NULL REFERENCES account (id),
    created    INTEGER NOT NULL,
    seen       INTEGER NOT NULL,
    expires    INTEGER NOT NULL
) STRICT;

CREATE INDEX session_account ON session (account_id);

CREATE TABLE credential (
    id         BLOB PRIMARY KEY CHECK (length(id) = 16),
    account_id BLOB NOT NULL REFERENCES account (id),
    kind       TEXT NOT NULL CHECK (kind IN ('app', 'api', 'feed')),
    digest     BLOB NOT NULL UNIQUE CHECK (length(digest) = 32),
    label      TEXT NOT NULL,
    role       TEXT NOT NULL CHECK (role IN ('administrator', 'coordinator', 'surveyor', 'viewer')),
    created    INTEGER NOT NULL,
    expires    INTEGER,
    last_used  INTEGER
) STRICT;

CREATE INDEX credential_account ON credential (account_id, created);

CREATE TABLE link (
    digest     BLOB PRIMARY KEY CHECK (length(digest) = 32),
    purpose    TEXT NOT NULL CHECK (purpose IN ('setup', 'invite')),
    account_id BLOB REFERENCES account (id),
    created    INTEGER NOT NULL,
    expires    INTEGER NOT NULL,
    CHECK ((purpose = 'setup') = (account_id IS NULL))
) STRICT;

CREATE INDEX link_account ON link (account_id);
