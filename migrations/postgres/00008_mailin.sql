-- +goose Up
-- Invitations by mail: what came in, what became of it, and what every organizer's calendar shows.
ALTER TABLE outbox ADD COLUMN from_address text NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN from_name text NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN in_reply_to text NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN calendar bytea;
ALTER TABLE outbox ADD COLUMN method text NOT NULL DEFAULT '';

CREATE TABLE mail_receipt (
    id            uuid PRIMARY KEY,
    received      bigint NOT NULL,
    hash          bytea NOT NULL CHECK (length(hash) = 32),
    size          bigint NOT NULL,
    recipient     text NOT NULL,
    envelope_from text NOT NULL,
    sender        text NOT NULL,
    subject       text NOT NULL,
    message_id    text NOT NULL,
    method        text NOT NULL,
    uid           text NOT NULL,
    outcome       text NOT NULL,
    said          text NOT NULL,
    account_id    uuid,
    booking_id    uuid,
    client_id     uuid,
    answer_id     uuid REFERENCES outbox (id),
    deliveries    integer NOT NULL,
    UNIQUE (hash, recipient)
);

CREATE INDEX mail_receipt_account ON mail_receipt (account_id, received);
CREATE INDEX mail_receipt_booking ON mail_receipt (booking_id);
CREATE INDEX mail_receipt_answer ON mail_receipt (answer_id);

CREATE TABLE mail_thread (
    target_id uuid NOT NULL,
    uid       text NOT NULL,
    state     text NOT NULL,
    changed   bigint NOT NULL,
    PRIMARY KEY (target_id, uid)
);
