-- +goose Up
-- Bookings as they stand, every version they ever had, and the promises that keep a unit from being promised twice.
CREATE TABLE bookings (
    id             uuid PRIMARY KEY,
    version        bigint NOT NULL CHECK (version > 0),
    number         bigint NOT NULL UNIQUE,
    state          text NOT NULL CHECK (state IN ('promised', 'out', 'back', 'at risk', 'cancelled')),
    owner_id       uuid NOT NULL,
    client_id      uuid,
    survey_id      uuid,
    kit_id         uuid,
    start_depot_id uuid NOT NULL,
    end_depot_id   uuid NOT NULL,
    collection_id  uuid NOT NULL,
    uid            text NOT NULL CHECK (uid <> ''),
    starts_at      bigint NOT NULL,
    ends_at        bigint NOT NULL,
    body           text NOT NULL,
    title          text NOT NULL,
    owner_name     text NOT NULL,
    raw            bytea,
    CHECK (starts_at < ends_at)
);

COMMENT ON COLUMN bookings.starts_at IS 'of the first promise, lead included';
COMMENT ON COLUMN bookings.ends_at IS 'of the last promise, lag included';
COMMENT ON COLUMN bookings.body IS 'the booking as JSON, without what may hold a name';
COMMENT ON COLUMN bookings.raw IS 'calendar object as a client sent it';

CREATE UNIQUE INDEX bookings_uid ON bookings (collection_id, uid) WHERE state <> 'cancelled';
CREATE INDEX bookings_starts ON bookings (starts_at, id);
CREATE INDEX bookings_ends ON bookings (ends_at);
CREATE INDEX bookings_kit ON bookings (kit_id, starts_at) WHERE kit_id IS NOT NULL;
CREATE INDEX bookings_trips ON bookings (ends_at, end_depot_id) WHERE end_depot_id <> start_depot_id;
CREATE INDEX bookings_survey ON bookings (survey_id) WHERE survey_id IS NOT NULL;

CREATE TABLE booking_versions (
    booking_id uuid NOT NULL REFERENCES bookings (id),
    version    bigint NOT NULL,
    entered    bigint NOT NULL,
    body       text NOT NULL,
    title      text,
    owner_name text,
    raw        bytea,
    PRIMARY KEY (booking_id, version)
);

-- A version stays as it is; only what may hold a name can be erased.
CREATE TRIGGER booking_versions_frozen BEFORE UPDATE ON booking_versions FOR EACH ROW
WHEN (NOT (
    (NEW.booking_id, NEW.version, NEW.entered, NEW.body) IS NOT DISTINCT FROM (OLD.booking_id, OLD.version, OLD.entered, OLD.body)
    AND (NEW.title IS NOT DISTINCT FROM OLD.title OR NEW.title IS NULL)
    AND (NEW.owner_name IS NOT DISTINCT FROM OLD.owner_name OR NEW.owner_name IS NULL)
    AND (NEW.raw IS NOT DISTINCT FROM OLD.raw OR NEW.raw IS NULL)
))
EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER booking_versions_kept BEFORE DELETE ON booking_versions FOR EACH ROW EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER booking_versions_not_emptied BEFORE TRUNCATE ON booking_versions FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();

-- A promise stands while it is live. One that was given up keeps its row, so that "as known at" can be answered. dropped: the
-- unit is none of the booking's any more.
CREATE TABLE promises (
    id         bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    unit_id    uuid NOT NULL REFERENCES unit (id),
    booking_id uuid NOT NULL REFERENCES bookings (id),
    part       bigint NOT NULL,
    pinned     boolean NOT NULL,
    starts_at  bigint NOT NULL,
    ends_at    bigint NOT NULL,
    live       boolean NOT NULL,
    dropped    boolean NOT NULL,
    entered    bigint NOT NULL,
    gone       bigint,
    CHECK (starts_at < ends_at),
    CHECK (live = (gone IS NULL)),
    CONSTRAINT promise_taken EXCLUDE USING gist (unit_id WITH =, int8range(starts_at, ends_at) WITH &&) WHERE (live)
        DEFERRABLE INITIALLY IMMEDIATE
);

CREATE INDEX promises_unit ON promises (unit_id, live, ends_at, starts_at);
CREATE INDEX promises_booking ON promises (booking_id, live);
