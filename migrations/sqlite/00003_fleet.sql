-- +goose Up
-- The pool: depots, models, laboratories, units, kits with dated composition, certificates, and facts. What people edit carries a
-- version, and every version is kept (noun_version), so that questions "as known at" a moment find the rules of that moment.
-- Certificates and facts are never changed: a correction or retraction is a new row.
CREATE TABLE depot (
    id      BLOB PRIMARY KEY CHECK (length(id) = 16),
    version INTEGER NOT NULL CHECK (version > 0),
    name    TEXT NOT NULL CHECK (name <> ''),
    code    TEXT NOT NULL CHECK (code <> ''),
    folded  TEXT NOT NULL UNIQUE CHECK (folded <> ''),
    zone    TEXT NOT NULL CHECK (zone <> ''),
    hours   TEXT NOT NULL,
    changed INTEGER NOT NULL
) STRICT;

CREATE TABLE model (
    id                 BLOB PRIMARY KEY CHECK (length(id) = 16),
    version            INTEGER NOT NULL CHECK (version > 0),
    name               TEXT NOT NULL CHECK (name <> ''),
    maker              TEXT NOT NULL,
    folded             TEXT NOT NULL UNIQUE CHECK (folded <> ''),
    kind               TEXT NOT NULL CHECK (kind IN ('dosimeter', 'calibrator', 'sound level meter', 'charger', 'data link')),
    class_std          TEXT NOT NULL,
    charge_minutes     INTEGER NOT NULL CHECK (charge_minutes >= 0),
    top_up_days        INTEGER NOT NULL CHECK (top_up_days >= 0),
    ready_days         INTEGER NOT NULL CHECK (ready_days >= 0),
    run_minutes        INTEGER NOT NULL CHECK (run_minutes >= 0),
    positions          INTEGER NOT NULL CHECK (positions >= 0),
    power_hours        INTEGER NOT NULL CHECK (power_hours >= 0),
    calibration_months INTEGER NOT NULL CHECK (calibration_months >= 0),
    memory_runs        INTEGER NOT NULL CHECK (memory_runs >= 0),
    holds_data         INTEGER NOT NULL CHECK (holds_data IN (0, 1)),
    entered            INTEGER NOT NULL,
    changed            INTEGER NOT NULL
) STRICT;

CREATE TABLE laboratory (
    id            BLOB PRIMARY KEY CHECK (length(id) = 16),
    version       INTEGER NOT NULL CHECK (version > 0),
    name          TEXT NOT NULL CHECK (name <> ''),
    folded        TEXT NOT NULL UNIQUE CHECK (folded <> ''),
    accreditation TEXT NOT NULL,
    due_rule      TEXT NOT NULL CHECK (due_rule IN ('anniversary', 'month end')),
    changed       INTEGER NOT NULL
) STRICT;

CREATE TABLE unit (
    id         BLOB PRIMARY KEY CHECK (length(id) = 16),
    version    INTEGER NOT NULL CHECK (version > 0),
    tag        TEXT NOT NULL CHECK (tag <> ''),
    folded     TEXT NOT NULL UNIQUE CHECK (folded <> ''),
    serial     TEXT NOT NULL,
    model_id   BLOB NOT NULL REFERENCES model (id),
    depot_id   BLOB NOT NULL REFERENCES depot (id),
    microphone TEXT NOT NULL,
    firmware   TEXT NOT NULL,
    ownership  TEXT NOT NULL CHECK (ownership IN ('owned', 'rented', 'client-owned')),
    client_id  BLOB CHECK (length(client_id) = 16),
    hire_from  TEXT,
    hire_to    TEXT,
    entered    INTEGER NOT NULL,
    changed    INTEGER NOT NULL,
    CHECK ((client_id IS NOT NULL) = (ownership = 'client-owned')),
    CHECK (hire_from IS NULL OR hire_to IS NULL OR hire_from <= hire_to)
) STRICT;

CREATE INDEX unit_depot ON unit (depot_id);
CREATE INDEX unit_model ON unit (model_id);

-- One row a unit, counted up in every transaction that changes anything the rules know of it. It tells copies in memory what to
-- read again; two transactions meet on it only where they touch the same unit.
CREATE TABLE unit_epoch (
    unit_id BLOB PRIMARY KEY REFERENCES unit (id),
    epoch   INTEGER NOT NULL
) STRICT;

CREATE TABLE kit (
    id       BLOB PRIMARY KEY CHECK (length(id) = 16),
    version  INTEGER NOT NULL CHECK (version > 0),
    name     TEXT NOT NULL CHECK (name <> ''),
    code     TEXT NOT NULL CHECK (code <> ''),
    folded   TEXT NOT NULL UNIQUE CHECK (folded <> ''),
    depot_id BLOB NOT NULL REFERENCES depot (id),
    changed  INTEGER NOT NULL
) STRICT;

CREATE TABLE kit_member (
    kit_id  BLOB NOT NULL REFERENCES kit (id),
    unit_id BLOB NOT NULL REFERENCES unit (id),
    starts  INTEGER NOT NULL,
    ends    INTEGER,
    entered INTEGER NOT NULL,
    ended   INTEGER,
    PRIMARY KEY (unit_id, starts, entered, kit_id),
    CHECK (ends IS NULL OR ends >= starts),
    CHECK ((ends IS NULL) = (ended IS NULL))
) STRICT;

CREATE INDEX kit_member_kit ON kit_member (kit_id, starts);

-- A unit is in at most one kit at a time.
-- +goose StatementBegin
CREATE TRIGGER kit_member_alone BEFORE INSERT ON kit_member
WHEN EXISTS (
    SELECT 1 FROM kit_member m WHERE m.unit_id = NEW.unit_id AND (m.ends IS NULL OR m.ends > m.starts)
    AND (NEW.ends IS NULL OR NEW.ends > NEW.starts)
    AND (m.ends IS NULL OR m.ends > NEW.starts) AND (NEW.ends IS NULL OR NEW.ends > m.starts)
)
BEGIN
    SELECT RAISE(ABORT, 'kitd:unit-in-two-kits');
END;
-- +goose StatementEnd

-- The only change of a membership is its end, told once.
-- +goose StatementBegin
CREATE TRIGGER kit_member_frozen BEFORE UPDATE ON kit_member
WHEN OLD.ends IS NOT NULL OR NEW.kit_id IS NOT OLD.kit_id OR NEW.unit_id IS NOT OLD.unit_id OR NEW.starts IS NOT OLD.starts OR NEW.entered IS NOT OLD.entered
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER kit_member_kept BEFORE DELETE ON kit_member
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

CREATE TABLE noun_version (
    noun    TEXT NOT NULL CHECK (noun IN ('unit', 'model', 'depot')),
    noun_id BLOB NOT NULL CHECK (length(noun_id) = 16),
    version INTEGER NOT NULL CHECK (version > 0),
    entered INTEGER NOT NULL,
    state   TEXT NOT NULL,
    PRIMARY KEY (noun, noun_id, version)
) STRICT;

-- +goose StatementBegin
CREATE TRIGGER noun_version_frozen BEFORE UPDATE ON noun_version
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER noun_version_kept BEFORE DELETE ON noun_version
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

CREATE TABLE certificate (
    id            BLOB PRIMARY KEY CHECK (length(id) = 16),
    number        TEXT NOT NULL CHECK (number <> ''),
    laboratory_id BLOB NOT NULL REFERENCES laboratory (id),
    calibrated    TEXT NOT NULL,
    issued        TEXT,
    file          BLOB CHECK (length(file) = 32),
    entered       INTEGER NOT NULL,
    by_name       TEXT NOT NULL,
    note          TEXT NOT NULL,
    supersedes_id BLOB UNIQUE REFERENCES certificate (id)
) STRICT;

CREATE INDEX certificate_number ON certificate (number);
CREATE INDEX certificate_laboratory ON certificate (laboratory_id);

CREATE TABLE certificate_line (
    id             BLOB PRIMARY KEY CHECK (length(id) = 16),
    certificate_id BLOB NOT NULL REFERENCES certificate (id),
    unit_id        BLOB NOT NULL REFERENCES unit (id),
    verdict        TEXT NOT NULL CHECK (verdict IN ('pass', 'fail', 'not stated')),
    as_found_db    REAL,
    as_left_db     REAL,
    level_db       REAL,
    expanded_u_db  REAL CHECK (expanded_u_db >= 0),
    coverage_k     REAL CHECK (coverage_k > 0),
    microphone     TEXT NOT NULL,
    due            TEXT,
    UNIQUE (certificate_id, unit_id)
) STRICT;

CREATE INDEX certificate_line_unit ON certificate_line (unit_id);

CREATE TABLE fact (
    id       BLOB PRIMARY KEY CHECK (length(id) = 16),
    unit_id  BLOB NOT NULL REFERENCES unit (id),
    kind     TEXT NOT NULL CHECK (kind <> ''),
    occurred INTEGER NOT NULL,
    entered  INTEGER NOT NULL,
    by_name  TEXT NOT NULL,
    note     TEXT NOT NULL,
    body     TEXT NOT NULL
) STRICT;

CREATE INDEX fact_unit ON fact (unit_id, occurred, entered, id);

-- +goose StatementBegin
CREATE TRIGGER certificate_frozen BEFORE UPDATE ON certificate
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER certificate_kept BEFORE DELETE ON certificate
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER certificate_line_frozen BEFORE UPDATE ON certificate_line
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER certificate_line_kept BEFORE DELETE ON certificate_line
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER fact_frozen BEFORE UPDATE ON fact
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER fact_kept BEFORE DELETE ON fact
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- INSERT OR REPLACE removes rows without asking the triggers above.
-- +goose StatementBegin
CREATE TRIGGER fact_once BEFORE INSERT ON fact
WHEN EXISTS (SELECT 1 FROM fact o WHERE o.id = NEW.id)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER certificate_once BEFORE INSERT ON certificate
WHEN EXISTS (SELECT 1 FROM certificate o WHERE o.id = NEW.id OR o.supersedes_id = NEW.supersedes_id)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER certificate_line_once BEFORE INSERT ON certificate_line
WHEN EXISTS (SELECT 1 FROM certificate_line o WHERE o.id = NEW.id OR (o.certificate_id = NEW.certificate_id AND o.unit_id = NEW.unit_id))
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER noun_version_once BEFORE INSERT ON noun_version
WHEN EXISTS (SELECT 1 FROM noun_version o WHERE o.noun = NEW.noun AND o.noun_id = NEW.noun_id AND o.version = NEW.version)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER kit_member_once BEFORE INSERT ON kit_member
WHEN EXISTS (SELECT 1 FROM kit_member o WHERE o.unit_id = NEW.unit_id AND o.starts = NEW.starts AND o.entered = NEW.entered AND o.kit_id = NEW.kit_id)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd
