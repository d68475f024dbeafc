-- +goose Up
-- Bookings as they stand, every version they ever had, and the promises that keep a unit from being promised twice.
CREATE TABLE bookings (
    id             BLOB PRIMARY KEY CHECK (length(id) = 16),
    version        INTEGER NOT NULL CHECK (version > 0),
    number         INTEGER NOT NULL UNIQUE,
    state          TEXT NOT NULL CHECK (state IN ('promised', 'out', 'back', 'at risk', 'cancelled')),
    owner_id       BLOB NOT NULL CHECK (length(owner_id) = 16),
    client_id      BLOB CHECK (length(client_id) = 16),
    survey_id      BLOB CHECK (length(survey_id) = 16),
    kit_id         BLOB CHECK (length(kit_id) = 16),
    start_depot_id BLOB NOT NULL CHECK (length(start_depot_id) = 16),
    end_depot_id   BLOB NOT NULL CHECK (length(end_depot_id) = 16),
    collection_id  BLOB NOT NULL CHECK (length(collection_id) = 16),
    uid            TEXT NOT NULL CHECK (uid <> ''),
    starts_at      INTEGER NOT NULL, -- of the first promise, lead included
    ends_at        INTEGER NOT NULL, -- of the last promise, lag included
    body           TEXT NOT NULL,    -- the booking as JSON, without what may hold a name
    title          TEXT NOT NULL,
    owner_name     TEXT NOT NULL,
    raw            BLOB,             -- calendar object as a client sent it
    CHECK (starts_at < ends_at)
) STRICT;

CREATE UNIQUE INDEX bookings_uid ON bookings (collection_id, uid) WHERE state <> 'cancelled';
CREATE INDEX bookings_starts ON bookings (starts_at, id);
CREATE INDEX bookings_ends ON bookings (ends_at);
CREATE INDEX bookings_kit ON bookings (kit_id, starts_at) WHERE kit_id IS NOT NULL;
CREATE INDEX bookings_trips ON bookings (ends_at, end_depot_id) WHERE end_depot_id <> start_depot_id;
CREATE INDEX bookings_survey ON bookings (survey_id) WHERE survey_id IS NOT NULL;

CREATE TABLE booking_versions (
    booking_id BLOB NOT NULL REFERENCES bookings (id),
    version    INTEGER NOT NULL,
    entered    INTEGER NOT NULL,
    body       TEXT NOT NULL,
    title      TEXT,
    owner_name TEXT,
    raw        BLOB,
    PRIMARY KEY (booking_id, version)
) STRICT;

-- A version stays as it is; only what may hold a name can be erased.
-- +goose StatementBegin
CREATE TRIGGER booking_versions_frozen BEFORE UPDATE ON booking_versions
WHEN NOT (
    NEW.booking_id IS OLD.booking_id AND NEW.version IS OLD.version AND NEW.entered IS OLD.entered AND NEW.body IS OLD.body
    AND (NEW.title IS OLD.title OR NEW.title IS NULL) AND (NEW.owner_name IS OLD.owner_name OR NEW.owner_name IS NULL)
    AND (NEW.raw IS OLD.raw OR NEW.raw IS NULL)
)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER booking_versions_kept BEFORE DELETE ON booking_versions
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- A promise stands while it is live. One that was given up keeps its row, so that "as known at" can be answered. dropped: the
-- unit is none of the booking's any more.
CREATE TABLE promises (
    id         INTEGER PRIMARY KEY,
    unit_id    BLOB NOT NULL REFERENCES unit (id),
    booking_id BLOB NOT NULL REFERENCES bookings (id),
    part       INTEGER NOT NULL,
    pinned     INTEGER NOT NULL CHECK (pinned IN (0, 1)),
    starts_at  INTEGER NOT NULL,
    ends_at    INTEGER NOT NULL,
    live       INTEGER NOT NULL CHECK (live IN (0, 1)),
    dropped    INTEGER NOT NULL CHECK (dropped IN (0, 1)),
    entered    INTEGER NOT NULL,
    gone       INTEGER,
    CHECK (starts_at < ends_at),
    CHECK (live = (gone IS NULL))
) STRICT;

CREATE INDEX promises_unit ON promises (unit_id, live, ends_at, starts_at);
CREATE INDEX promises_booking ON promises (booking_id, live);

-- Live promises of a unit never overlap, so their ends are in the order of their starts: the first that ends after the new
-- start is the only one that can be in the way.
-- +goose StatementBegin
CREATE TRIGGER promises_free_insert BEFORE INSERT ON promises
WHEN NEW.live = 1 AND (
    SELECT starts_at FROM promises WHERE unit_id = NEW.unit_id AND live = 1 AND ends_at > NEW.starts_at ORDER BY ends_at LIMIT 1
) < NEW.ends_at
BEGIN
    SELECT RAISE(ABORT, 'kitd:promise-taken');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER promises_free_update BEFORE UPDATE OF unit_id, starts_at, ends_at, live ON promises
WHEN NEW.live = 1 AND (
    SELECT starts_at FROM promises
    WHERE unit_id = NEW.unit_id AND live = 1 AND ends_at > NEW.starts_at AND id <> OLD.id ORDER BY ends_at LIMIT 1
) < NEW.ends_at
BEGIN
    SELECT RAISE(ABORT, 'kitd:promise-taken');
END;
-- +goose StatementEnd

-- INSERT OR REPLACE removes rows without asking the trigger above.
-- +goose StatementBegin
CREATE TRIGGER booking_versions_once BEFORE INSERT ON booking_versions
WHEN EXISTS (SELECT 1 FROM booking_versions o WHERE o.booking_id = NEW.booking_id AND o.version = NEW.version)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd
