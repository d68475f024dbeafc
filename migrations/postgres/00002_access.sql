-- +goose Up
-- Who may come in: accounts, the clients they see, their passwords, logins, tokens and one-time links.
-- Secrets are kept as digests; a password as an argon2id hash beside the account, so that reading an account never reads it.
CREATE TABLE account (
    id          uuid PRIMARY KEY,
    version     bigint NOT NULL CHECK (version > 0),
    name        text NOT NULL CHECK (name <> ''),
    folded      text NOT NULL UNIQUE CHECK (folded <> ''),
    display     text NOT NULL,
    mail        text NOT NULL DEFAULT '',
    role        text NOT NULL CHECK (role IN ('administrator', 'coordinator', 'surveyor', 'viewer')),
    locale      text NOT NULL,
    zone        text NOT NULL,
    disabled    boolean NOT NULL,
    all_clients boolean NOT NULL,
    created     bigint NOT NULL
);

CREATE TABLE account_password (
    account_id uuid PRIMARY KEY REFERENCES account (id),
    hash       text NOT NULL CHECK (hash LIKE '$argon2id$%'),
    changed    bigint NOT NULL
);

CREATE TABLE account_client (
    account_id uuid NOT NULL REFERENCES account (id),
    client_id  uuid NOT NULL,
    PRIMARY KEY (account_id, client_id)
);

CREATE TABLE session (
    digest     bytea PRIMARY KEY CHECK (length(digest) = 32),
    account_id uuid NOT NULL REFERENCES account (id),
    created    bigint NOT NULL,
    seen       bigint NOT NULL,
    expires    bigint NOT NULL
);

CREATE INDEX session_account ON session (account_id);

CREATE TABLE credential (
    id         uuid PRIMARY KEY,
    account_id uuid NOT NULL REFERENCES account (id),
    kind       text NOT NULL CHECK (kind IN ('app', 'api', 'feed')),
    digest     bytea NOT NULL UNIQUE CHECK (length(digest) = 32),
    label      text NOT NULL,
    role       text NOT NULL CHECK (role IN ('administrator', 'coordinator', 'surveyor', 'viewer')),
    created    bigint NOT NULL,
    expires    bigint,
    last_used  bigint
);

CREATE INDEX credential_account ON credential (account_id, created);

CREATE TABLE link (
    digest     bytea PRIMARY KEY CHECK (length(digest) = 32),
    purpose    text NOT NULL CHECK (purpose IN ('setup', 'invite')),
    account_id uuid REFERENCES account (id),
    created    bigint NOT NULL,
    expires    bigint NOT NULL,
    CHECK ((purpose = 'setup') = (account_id IS NULL))
);

CREATE INDEX link_account ON link (account_id);
