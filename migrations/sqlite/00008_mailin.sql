-- +goose Up
-- Invitations by mail: what came in, what became of it, and what every organizer's calendar shows.
ALTER TABLE outbox ADD COLUMN from_address TEXT NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN from_name TEXT NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN in_reply_to TEXT NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN calendar BLOB;
ALTER TABLE outbox ADD COLUMN method TEXT NOT NULL DEFAULT '';

CREATE TABLE mail_receipt (
    id            BLOB PRIMARY KEY CHECK (length(id) = 16),
    received      INTEGER NOT NULL,
    hash          BLOB NOT NULL CHECK (length(hash) = 32),
    size          INTEGER NOT NULL,
    recipient     TEXT NOT NULL,
    envelope_from TEXT NOT NULL,
    sender        TEXT NOT NULL,
    subject       TEXT NOT NULL,
    message_id    TEXT NOT NULL,
    method        TEXT NOT NULL,
    uid           TEXT NOT NULL,
    outcome       TEXT NOT NULL,
    said          TEXT NOT NULL,
    account_id    BLOB CHECK (length(account_id) = 16),
    booking_id    BLOB CHECK (length(booking_id) = 16),
    client_id     BLOB CHECK (length(client_id) = 16),
    answer_id     BLOB REFERENCES outbox (id),
    deliveries    INTEGER NOT NULL,
    UNIQUE (hash, recipient)
) STRICT;

CREATE INDEX mail_receipt_account ON mail_receipt (account_id, received);
CREATE INDEX mail_receipt_booking ON mail_receipt (booking_id);
CREATE INDEX mail_receipt_answer ON mail_receipt (answer_id);

CREATE TABLE mail_thread (
    target_id BLOB NOT NULL CHECK (length(target_id) = 16),
    uid       TEXT NOT NULL,
    state     TEXT NOT NULL,
    changed   INTEGER NOT NULL,
    PRIMARY KEY (target_id, uid)
) STRICT, WITHOUT ROWID;
