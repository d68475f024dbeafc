-- +goose Up
-- The pool: depots, models, laboratories, units, kits with dated composition, certificates, and facts. What people edit carries a
-- version, and every version is kept (noun_version), so that questions "as known at" a moment find the rules of that moment.
-- Certificates and facts are never changed: a correction or retraction is a new row.
CREATE TABLE depot (
    id      uuid PRIMARY KEY,
    version bigint NOT NULL CHECK (version > 0),
    name    text NOT NULL CHECK (name <> ''),
    code    text NOT NULL CHECK (code <> ''),
    folded  text NOT NULL UNIQUE CHECK (folded <> ''),
    zone    text NOT NULL CHECK (zone <> ''),
    hours   text NOT NULL,
    changed bigint NOT NULL
);

CREATE TABLE model (
    id                 uuid PRIMARY KEY,
    version            bigint NOT NULL CHECK (version > 0),
    name               text NOT NULL CHECK (name <> ''),
    maker              text NOT NULL,
    folded             text NOT NULL UNIQUE CHECK (folded <> ''),
    kind               text NOT NULL CHECK (kind IN ('dosimeter', 'calibrator', 'sound level meter', 'charger', 'data link')),
    class_std          text NOT NULL,
    charge_minutes     bigint NOT NULL CHECK (charge_minutes >= 0),
    top_up_days        bigint NOT NULL CHECK (top_up_days >= 0),
    ready_days         bigint NOT NULL CHECK (ready_days >= 0),
    run_minutes        bigint NOT NULL CHECK (run_minutes >= 0),
    positions          bigint NOT NULL CHECK (positions >= 0),
    power_hours        bigint NOT NULL CHECK (power_hours >= 0),
    calibration_months bigint NOT NULL CHECK (calibration_months >= 0),
    memory_runs        bigint NOT NULL CHECK (memory_runs >= 0),
    holds_data         boolean NOT NULL,
    entered            bigint NOT NULL,
    changed            bigint NOT NULL
);

CREATE TABLE laboratory (
    id            uuid PRIMARY KEY,
    version       bigint NOT NULL CHECK (version > 0),
    name          text NOT NULL CHECK (name <> ''),
    folded        text NOT NULL UNIQUE CHECK (folded <> ''),
    accreditation text NOT NULL,
    due_rule      text NOT NULL CHECK (due_rule IN ('anniversary', 'month end')),
    changed       bigint NOT NULL
);

CREATE TABLE unit (
    id         uuid PRIMARY KEY,
    version    bigint NOT NULL CHECK (version > 0),
    tag        text NOT NULL CHECK (tag <> ''),
    folded     text NOT NULL UNIQUE CHECK (folded <> ''),
    serial     text NOT NULL,
    model_id   uuid NOT NULL REFERENCES model (id),
    depot_id   uuid NOT NULL REFERENCES depot (id),
    microphone text NOT NULL,
    firmware   text NOT NULL,
    ownership  text NOT NULL CHECK (ownership IN ('owned', 'rented', 'client-owned')),
    client_id  uuid,
    hire_from  text,
    hire_to    text,
    entered    bigint NOT NULL,
    changed    bigint NOT NULL,
    CHECK ((client_id IS NOT NULL) = (ownership = 'client-owned')),
    CHECK (hire_from IS NULL OR hire_to IS NULL OR hire_from <= hire_to)
);

CREATE INDEX unit_depot ON unit (depot_id);
CREATE INDEX unit_model ON unit (model_id);

-- One row a unit, counted up in every transaction that changes anything the rules know of it. It tells copies in memory what to
-- read again; two transactions meet on it only where they touch the same unit.
CREATE TABLE unit_epoch (
    unit_id uuid PRIMARY KEY REFERENCES unit (id),
    epoch   bigint NOT NULL
);

CREATE TABLE kit (
    id       uuid PRIMARY KEY,
    version  bigint NOT NULL CHECK (version > 0),
    name     text NOT NULL CHECK (name <> ''),
    code     text NOT NULL CHECK (code <> ''),
    folded   text NOT NULL UNIQUE CHECK (folded <> ''),
    depot_id uuid NOT NULL REFERENCES depot (id),
    changed  bigint NOT NULL
);

CREATE TABLE kit_member (
    kit_id  uuid NOT NULL REFERENCES kit (id),
    unit_id uuid NOT NULL REFERENCES unit (id),
    starts  bigint NOT NULL,
    ends    bigint,
    entered bigint NOT NULL,
    ended   bigint,
    PRIMARY KEY (unit_id, starts, entered, kit_id),
    CHECK (ends IS NULL OR ends >= starts),
    CHECK ((ends IS NULL) = (ended IS NULL)),
    CONSTRAINT unit_in_two_kits EXCLUDE USING gist (unit_id WITH =, int8range(starts, ends) WITH &&)
);

CREATE INDEX kit_member_kit ON kit_member (kit_id, starts);

-- The only change of a membership is its end, told once.
CREATE TRIGGER kit_member_frozen BEFORE UPDATE ON kit_member FOR EACH ROW
WHEN (OLD.ends IS NOT NULL OR (NEW.kit_id, NEW.unit_id, NEW.starts, NEW.entered) IS DISTINCT FROM (OLD.kit_id, OLD.unit_id, OLD.starts, OLD.entered))
EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER kit_member_kept BEFORE DELETE ON kit_member FOR EACH ROW EXECUTE FUNCTION kitd_frozen();

CREATE TABLE noun_version (
    noun    text NOT NULL CHECK (noun IN ('unit', 'model', 'depot')),
    noun_id uuid NOT NULL,
    version bigint NOT NULL CHECK (version > 0),
    entered bigint NOT NULL,
    state   text NOT NULL,
    PRIMARY KEY (noun, noun_id, version)
);

CREATE TABLE certificate (
    id            uuid PRIMARY KEY,
    number        text NOT NULL CHECK (number <> ''),
    laboratory_id uuid NOT NULL REFERENCES laboratory (id),
    calibrated    text NOT NULL,
    issued        text,
    file          bytea CHECK (length(file) = 32),
    entered       bigint NOT NULL,
    by_name       text NOT NULL,
    note          text NOT NULL,
    supersedes_id uuid UNIQUE REFERENCES certificate (id)
);

CREATE INDEX certificate_number ON certificate (number);
CREATE INDEX certificate_laboratory ON certificate (laboratory_id);

CREATE TABLE certificate_line (
    id             uuid PRIMARY KEY,
    certificate_id uuid NOT NULL REFERENCES certificate (id),
    unit_id        uuid NOT NULL REFERENCES unit (id),
    verdict        text NOT NULL CHECK (verdict IN ('pass', 'fail', 'not stated')),
    as_found_db    double precision,
    as_left_db     double precision,
    level_db       double precision,
    expanded_u_db  double precision CHECK (expanded_u_db >= 0),
    coverage_k     double precision CHECK (coverage_k > 0),
    microphone     text NOT NULL,
    due            text,
    UNIQUE (certificate_id, unit_id)
);

CREATE INDEX certificate_line_unit ON certificate_line (unit_id);

CREATE TABLE fact (
    id       uuid PRIMARY KEY,
    unit_id  uuid NOT NULL REFERENCES unit (id),
    kind     text NOT NULL CHECK (kind <> ''),
    occurred bigint NOT NULL,
    entered  bigint NOT NULL,
    by_name  text NOT NULL,
    note     text NOT NULL,
    body     text NOT NULL
);

CREATE INDEX fact_unit ON fact (unit_id, occurred, entered, id);

CREATE TRIGGER noun_version_frozen BEFORE UPDATE OR DELETE ON noun_version FOR EACH ROW EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER certificate_frozen BEFORE UPDATE OR DELETE ON certificate FOR EACH ROW EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER certificate_line_frozen BEFORE UPDATE OR DELETE ON certificate_line FOR EACH ROW EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER fact_frozen BEFORE UPDATE OR DELETE ON fact FOR EACH ROW EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER noun_version_not_emptied BEFORE TRUNCATE ON noun_version FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER certificate_not_emptied BEFORE TRUNCATE ON certificate FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER certificate_line_not_emptied BEFORE TRUNCATE ON certificate_line FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER fact_not_emptied BEFORE TRUNCATE ON fact FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER kit_member_not_emptied BEFORE TRUNCATE ON kit_member FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();
