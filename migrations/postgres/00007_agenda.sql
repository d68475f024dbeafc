-- +goose Up
-- What calendar programs see: one row for each object of a collection behind each client wall it ever stood behind. A row that
-- is gone stays as a tombstone, so that a program that was away learns of it. serial counts within the collection and is taken
-- in the transaction of the change.
CREATE TABLE calendar_object (
    collection_id uuid NOT NULL,
    name          text NOT NULL CHECK (name <> ''),
    client_id     uuid,
    booking_id    uuid NOT NULL,
    uid           text NOT NULL CHECK (uid <> ''),
    version       bigint NOT NULL,
    starts        bigint NOT NULL,
    ends          bigint NOT NULL,
    entered       bigint NOT NULL,
    changed       bigint NOT NULL,
    serial        bigint NOT NULL,
    gone          integer NOT NULL CHECK (gone IN (0, 1))
);

CREATE UNIQUE INDEX calendar_object_name_live ON calendar_object (collection_id, name) WHERE gone = 0;
CREATE UNIQUE INDEX calendar_object_uid_live ON calendar_object (collection_id, uid) WHERE gone = 0;
CREATE INDEX calendar_object_names ON calendar_object (collection_id, name);
CREATE INDEX calendar_object_changes ON calendar_object (collection_id, serial);
CREATE INDEX calendar_object_starts ON calendar_object (collection_id, starts, ends) WHERE gone = 0;
CREATE INDEX calendar_object_booking ON calendar_object (booking_id) WHERE gone = 0;

-- Each serial of a collection has a random mark. A database restored from a backup counts on from an older serial; tokens given
-- out in the time that was lost do not fit its marks, so that programs begin anew.
CREATE TABLE calendar_mark (
    collection_id uuid NOT NULL,
    serial        bigint NOT NULL,
    mark          text NOT NULL,
    PRIMARY KEY (collection_id, serial)
);
