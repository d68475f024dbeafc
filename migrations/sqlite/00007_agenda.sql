-- +goose Up
-- What calendar programs see: one row for each object of a collection behind each client wall it ever stood behind. A row that
-- is gone stays as a tombstone, so that a program that was away learns of it. serial counts within the collection and is taken
-- in the transaction of the change.
CREATE TABLE calendar_object (
    collection_id BLOB NOT NULL CHECK (length(collection_id) = 16),
    name          TEXT NOT NULL CHECK (name <> ''),
    client_id     BLOB CHECK (length(client_id) = 16),
    booking_id    BLOB NOT NULL CHECK (length(booking_id) = 16),
    uid           TEXT NOT NULL CHECK (uid <> ''),
    version       INTEGER NOT NULL,
    starts        INTEGER NOT NULL,
    ends          INTEGER NOT NULL,
    entered       INTEGER NOT NULL,
    changed       INTEGER NOT NULL,
    serial        INTEGER NOT NULL,
    gone          INTEGER NOT NULL CHECK (gone IN (0, 1))
) STRICT;

CREATE UNIQUE INDEX calendar_object_name_live ON calendar_object (collection_id, name) WHERE gone = 0;
CREATE UNIQUE INDEX calendar_object_uid_live ON calendar_object (collection_id, uid) WHERE gone = 0;
CREATE INDEX calendar_object_names ON calendar_object (collection_id, name);
CREATE INDEX calendar_object_changes ON calendar_object (collection_id, serial);
CREATE INDEX calendar_object_starts ON calendar_object (collection_id, starts, ends) WHERE gone = 0;
CREATE INDEX calendar_object_booking ON calendar_object (booking_id) WHERE gone = 0;

-- Each serial of a collection has a random mark. A database restored from a backup counts on from an older serial; tokens given
-- out in the time that was lost do not fit its marks, so that programs begin anew.
CREATE TABLE calendar_mark (
    collection_id BLOB NOT NULL CHECK (length(collection_id) = 16),
    serial        INTEGER NOT NULL,
    mark          TEXT NOT NULL,
    PRIMARY KEY (collection_id, serial)
) STRICT, WITHOUT ROWID;
