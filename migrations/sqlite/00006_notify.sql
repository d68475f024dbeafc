-- +goose Up
-- What people were told of, and the mail that waits for a server or was taken by one.
CREATE TABLE outbox (
    id          BLOB PRIMARY KEY CHECK (length(id) = 16),
    message_id  TEXT NOT NULL UNIQUE,
    to_address  TEXT NOT NULL,
    to_name     TEXT NOT NULL,
    subject     TEXT NOT NULL,
    body        TEXT NOT NULL,
    created     INTEGER NOT NULL,
    not_before  INTEGER NOT NULL,
    state       TEXT NOT NULL CHECK (state IN ('queued', 'sending', 'sent', 'dead')),
    attempts    INTEGER NOT NULL DEFAULT 0,
    unknown     INTEGER NOT NULL DEFAULT 0,
    claimed     INTEGER,
    last_error  TEXT NOT NULL DEFAULT '',
    settled     INTEGER,
    again       INTEGER
) STRICT;

CREATE INDEX outbox_due ON outbox (state, not_before);

CREATE TABLE occasion (
    unit_id     BLOB NOT NULL CHECK (length(unit_id) = 16),
    due         TEXT NOT NULL,
    step        INTEGER NOT NULL,
    announced   INTEGER NOT NULL,
    PRIMARY KEY (unit_id, due, step)
) STRICT, WITHOUT ROWID;

CREATE TABLE occasion_message (
    unit_id     BLOB NOT NULL,
    due         TEXT NOT NULL,
    step        INTEGER NOT NULL,
    outbox_id   BLOB NOT NULL REFERENCES outbox (id),
    PRIMARY KEY (unit_id, due, step, outbox_id),
    FOREIGN KEY (unit_id, due, step) REFERENCES occasion (unit_id, due, step)
) STRICT, WITHOUT ROWID;

CREATE INDEX occasion_message_outbox ON occasion_message (outbox_id);
