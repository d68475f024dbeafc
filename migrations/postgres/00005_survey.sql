-- +goose Up
-- Surveys: clients behind their walls, sites, people under pseudonyms, worker-days, wears, field checks, returns and results.

CREATE TABLE client (
    id      uuid PRIMARY KEY,
    code    text NOT NULL CHECK (code <> ''),
    name    text NOT NULL CHECK (name <> ''),
    note    text NOT NULL,
    entered bigint NOT NULL,
    by_name text NOT NULL,
    version bigint NOT NULL
);

CREATE UNIQUE INDEX client_code_folded ON client (lower(code));

CREATE TABLE site (
    id        uuid PRIMARY KEY,
    client_id uuid NOT NULL REFERENCES client (id),
    name      text NOT NULL CHECK (name <> ''),
    zone      text NOT NULL CHECK (zone <> ''),
    note      text NOT NULL,
    entered   bigint NOT NULL,
    by_name   text NOT NULL,
    version   bigint NOT NULL
);

CREATE UNIQUE INDEX site_name_folded ON site (client_id, lower(name));

CREATE TABLE survey (
    id        uuid PRIMARY KEY,
    number    bigint NOT NULL UNIQUE,
    client_id uuid NOT NULL REFERENCES client (id),
    site_id   uuid NOT NULL REFERENCES site (id),
    title     text NOT NULL,
    zone      text NOT NULL,
    days      text NOT NULL,
    groups    text NOT NULL,
    profiles  text NOT NULL,
    needs     text NOT NULL,
    note      text NOT NULL,
    entered   bigint NOT NULL,
    by_name   text NOT NULL,
    version   bigint NOT NULL
);

CREATE INDEX survey_client ON survey (client_id, number);

CREATE TABLE worker (
    id        uuid PRIMARY KEY,
    client_id uuid NOT NULL REFERENCES client (id),
    pseudonym text NOT NULL CHECK (pseudonym <> ''),
    entered   bigint NOT NULL,
    by_name   text NOT NULL
);

CREATE UNIQUE INDEX worker_pseudonym_folded ON worker (client_id, lower(pseudonym));

-- The only place that holds the names of workers. Erasing a row breaks nothing: no hash covers it.
CREATE TABLE worker_names (
    worker_id uuid PRIMARY KEY REFERENCES worker (id),
    name      text NOT NULL CHECK (name <> ''),
    entered   bigint NOT NULL,
    by_name   text NOT NULL
);

CREATE TABLE worker_day (
    id            uuid PRIMARY KEY,
    client_id     uuid NOT NULL REFERENCES client (id),
    survey_id     uuid NOT NULL REFERENCES survey (id),
    worker_id     uuid NOT NULL REFERENCES worker (id),
    group_id      uuid,
    starts        bigint NOT NULL,
    date          text NOT NULL,
    shift_minutes bigint NOT NULL CHECK (shift_minutes >= 0),
    parts         text NOT NULL,
    note          text NOT NULL,
    entered       bigint NOT NULL,
    by_name       text NOT NULL,
    version       bigint NOT NULL
);

CREATE INDEX worker_day_survey ON worker_day (survey_id, starts);

CREATE TABLE wear (
    id        uuid PRIMARY KEY,
    client_id uuid NOT NULL REFERENCES client (id),
    survey_id uuid NOT NULL REFERENCES survey (id),
    day_id    uuid NOT NULL REFERENCES worker_day (id),
    worker_id uuid NOT NULL REFERENCES worker (id),
    unit_id   uuid NOT NULL REFERENCES unit (id),
    unit_tag  text NOT NULL,
    side      text NOT NULL CHECK (side IN ('left', 'right')),
    starts    bigint NOT NULL,
    stops     bigint,
    outcome   text NOT NULL CHECK (outcome IN ('', 'complete', 'cut short', 'lost', 'cleared', 'refused', 'unattended', 'swapped')),
    entered   bigint NOT NULL,
    by_name   text NOT NULL,
    version   bigint NOT NULL
);

CREATE INDEX wear_survey ON wear (survey_id, starts);
CREATE INDEX wear_time ON wear (starts);

-- What was said of a wear, appended. Free text may be emptied, nothing else changes.
CREATE TABLE wear_fact (
    id        uuid PRIMARY KEY,
    wear_id   uuid NOT NULL REFERENCES wear (id),
    client_id uuid NOT NULL REFERENCES client (id),
    kind      text NOT NULL CHECK (kind IN ('started', 'stopped')),
    occurred  bigint NOT NULL,
    entered   bigint NOT NULL,
    by_name   text NOT NULL,
    outcome   text NOT NULL,
    note      text NOT NULL,
    override  text NOT NULL,
    not_fit   text NOT NULL
);

CREATE INDEX wear_fact_wear ON wear_fact (wear_id, entered);

CREATE TABLE field_check (
    id            uuid PRIMARY KEY,
    client_id     uuid NOT NULL REFERENCES client (id),
    wear_id       uuid NOT NULL REFERENCES wear (id),
    unit_id       uuid NOT NULL REFERENCES unit (id),
    calibrator_id uuid NOT NULL REFERENCES unit (id),
    side_of_wear  text NOT NULL CHECK (side_of_wear IN ('before', 'after')),
    at            bigint NOT NULL,
    indicated_mdb bigint NOT NULL CHECK (indicated_mdb BETWEEN -20000 AND 200000),
    adjusted_mdb  bigint CHECK (adjusted_mdb BETWEEN -20000 AND 200000),
    temperature_c double precision,
    pressure_hpa  double precision,
    place         text NOT NULL,
    entered       bigint NOT NULL,
    by_name       text NOT NULL
);

CREATE INDEX field_check_wear ON field_check (wear_id, at);
CREATE INDEX field_check_calibrator ON field_check (calibrator_id, at);

CREATE TABLE survey_return (
    id              uuid PRIMARY KEY,
    number          bigint NOT NULL UNIQUE,
    client_id       uuid REFERENCES client (id),
    sender_id       uuid,
    name            text NOT NULL,
    file_hash       text NOT NULL CHECK (length(file_hash) = 64),
    size            bigint NOT NULL CHECK (size > 0),
    received        bigint NOT NULL,
    by_name         text NOT NULL,
    state           text NOT NULL CHECK (state IN ('needs linking', 'linked', 'accepted', 'rejected')),
    wear_id         uuid REFERENCES wear (id),
    unit_name       text NOT NULL,
    serial          text NOT NULL,
    history         text NOT NULL,
    clock_offset_ms bigint NOT NULL,
    clock_reason    text NOT NULL,
    version         bigint NOT NULL,
    CHECK ((client_id IS NULL) = (wear_id IS NULL)),
    CHECK (wear_id IS NOT NULL OR state IN ('needs linking', 'rejected'))
);

-- A wear has one return that counts.
CREATE UNIQUE INDEX survey_return_wear ON survey_return (wear_id) WHERE state IN ('linked', 'accepted');
CREATE INDEX survey_return_file ON survey_return (file_hash);

CREATE TABLE return_review (
    id         uuid PRIMARY KEY,
    return_id  uuid NOT NULL REFERENCES survey_return (id),
    client_id  uuid REFERENCES client (id),
    wear_id    uuid REFERENCES wear (id),
    verdict    text NOT NULL CHECK (verdict IN ('accepted', 'rejected')),
    at         bigint NOT NULL,
    by_name    text NOT NULL,
    reason     text NOT NULL,
    exclusions text NOT NULL,
    fact_id    uuid
);

CREATE INDEX return_review_return ON return_review (return_id, at);

-- document is the canonical JSON, hash its SHA-256; the other columns repeat what queries need of it.
CREATE TABLE result (
    id           uuid PRIMARY KEY,
    number       bigint NOT NULL UNIQUE,
    client_id    uuid NOT NULL REFERENCES client (id),
    survey_id    uuid NOT NULL REFERENCES survey (id),
    day_id       uuid NOT NULL REFERENCES worker_day (id),
    wear_id      uuid NOT NULL REFERENCES wear (id),
    return_id    uuid NOT NULL REFERENCES survey_return (id),
    replaces_id  uuid UNIQUE REFERENCES result (id),
    computed     bigint NOT NULL,
    by_name      text NOT NULL,
    content_hash text NOT NULL CHECK (length(content_hash) = 64),
    hash         text NOT NULL CHECK (length(hash) = 64),
    document     text NOT NULL
);

CREATE INDEX result_survey ON result (survey_id, number);
CREATE INDEX result_day ON result (day_id, number);
-- One first result a day: every other one replaces another.
CREATE UNIQUE INDEX result_first ON result (day_id) WHERE replaces_id IS NULL;

CREATE TABLE result_evidence (
    result_id uuid NOT NULL REFERENCES result (id),
    n         bigint NOT NULL,
    client_id uuid NOT NULL REFERENCES client (id),
    noun      text NOT NULL,
    ref_id    uuid,
    part_id   uuid,
    hash      text NOT NULL,
    PRIMARY KEY (result_id, n)
);

CREATE INDEX result_evidence_ref ON result_evidence (ref_id);
CREATE INDEX result_evidence_part ON result_evidence (part_id);

-- Results and their evidence never change; of facts, checks and reviews only free text may be emptied.

CREATE TRIGGER wear_fact_frozen BEFORE UPDATE ON wear_fact FOR EACH ROW
    WHEN (NOT ((NEW.id, NEW.wear_id, NEW.client_id, NEW.kind, NEW.occurred, NEW.entered, NEW.by_name, NEW.outcome, NEW.not_fit)
        IS NOT DISTINCT FROM (OLD.id, OLD.wear_id, OLD.client_id, OLD.kind, OLD.occurred, OLD.entered, OLD.by_name, OLD.outcome, OLD.not_fit)
        AND NEW.note IN (OLD.note, '') AND NEW.override IN (OLD.override, '')))
    EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER wear_fact_kept BEFORE DELETE ON wear_fact
    FOR EACH ROW EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER field_check_frozen BEFORE UPDATE ON field_check FOR EACH ROW
    WHEN (NOT ((NEW.id, NEW.client_id, NEW.wear_id, NEW.unit_id, NEW.calibrator_id, NEW.side_of_wear, NEW.at, NEW.indicated_mdb, NEW.adjusted_mdb, NEW.temperature_c, NEW.pressure_hpa, NEW.entered, NEW.by_name)
        IS NOT DISTINCT FROM (OLD.id, OLD.client_id, OLD.wear_id, OLD.unit_id, OLD.calibrator_id, OLD.side_of_wear, OLD.at, OLD.indicated_mdb, OLD.adjusted_mdb, OLD.temperature_c, OLD.pressure_hpa, OLD.entered, OLD.by_name)
        AND NEW.place IN (OLD.place, '')))
    EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER field_check_kept BEFORE DELETE ON field_check
    FOR EACH ROW EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER return_review_frozen BEFORE UPDATE ON return_review FOR EACH ROW
    WHEN (NOT ((NEW.id, NEW.return_id, NEW.client_id, NEW.wear_id, NEW.verdict, NEW.at, NEW.by_name, NEW.exclusions, NEW.fact_id)
        IS NOT DISTINCT FROM (OLD.id, OLD.return_id, OLD.client_id, OLD.wear_id, OLD.verdict, OLD.at, OLD.by_name, OLD.exclusions, OLD.fact_id)
        AND NEW.reason IN (OLD.reason, '')))
    EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER return_review_kept BEFORE DELETE ON return_review
    FOR EACH ROW EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER result_frozen BEFORE UPDATE OR DELETE ON result
    FOR EACH ROW EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER result_whole BEFORE TRUNCATE ON result
    FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();

CREATE TRIGGER result_evidence_frozen BEFORE UPDATE OR DELETE ON result_evidence
    FOR EACH ROW EXECUTE FUNCTION kitd_frozen();
CREATE TRIGGER result_evidence_whole BEFORE TRUNCATE ON result_evidence
    FOR EACH STATEMENT EXECUTE FUNCTION kitd_frozen();
