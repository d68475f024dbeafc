-- +goose Up
-- What people were told of, and the mail that waits for a server or was taken by one.
CREATE TABLE outbox (
    id          uuid PRIMARY KEY,
    message_id  text NOT NULL UNIQUE,
    to_address  text NOT NULL,
    to_name     text NOT NULL,
    subject     text NOT NULL,
    body        text NOT NULL,
    created     bigint NOT NULL,
    not_before  bigint NOT NULL,
    state       text NOT NULL CHECK (state IN ('queued', 'sending', 'sent', 'dead')),
    attempts    integer NOT NULL DEFAULT 0,
    unknown     integer NOT NULL DEFAULT 0,
    claimed     bigint,
    last_error  text NOT NULL DEFAULT '',
    settled     bigint,
    again       bigint
);

CREATE INDEX outbox_due ON outbox (state, not_before);

CREATE TABLE occasion (
    unit_id     uuid NOT NULL,
    due         text NOT NULL,
    step        integer NOT NULL,
    announced   bigint NOT NULL,
    PRIMARY KEY (unit_id, due, step)
);

CREATE TABLE occasion_message (
    unit_id     uuid NOT NULL,
    due         text NOT NULL,
    step        integer NOT NULL,
    outbox_id   uuid NOT NULL REFERENCES outbox (id),
    PRIMARY KEY (unit_id, due, step, outbox_id),
    FOREIGN KEY (unit_id, due, step) REFERENCES occasion (unit_id, due, step)
);

CREATE INDEX occasion_message_outbox ON occasion_message (outbox_id);
