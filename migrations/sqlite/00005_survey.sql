-- +goose Up
-- Surveys: clients behind their walls, sites, people under pseudonyms, worker-days, wears, field checks, returns and results.

CREATE TABLE client (
    id      BLOB PRIMARY KEY CHECK (length(id) = 16),
    code    TEXT NOT NULL CHECK (code <> ''),
    name    TEXT NOT NULL CHECK (name <> ''),
    note    TEXT NOT NULL,
    entered INTEGER NOT NULL,
    by_name TEXT NOT NULL,
    version INTEGER NOT NULL
) STRICT;

CREATE UNIQUE INDEX client_code_folded ON client (lower(code));

CREATE TABLE site (
    id        BLOB PRIMARY KEY CHECK (length(id) = 16),
    client_id BLOB NOT NULL REFERENCES client (id),
    name      TEXT NOT NULL CHECK (name <> ''),
    zone      TEXT NOT NULL CHECK (zone <> ''),
    note      TEXT NOT NULL,
    entered   INTEGER NOT NULL,
    by_name   TEXT NOT NULL,
    version   INTEGER NOT NULL
) STRICT;

CREATE UNIQUE INDEX site_name_folded ON site (client_id, lower(name));

CREATE TABLE survey (
    id        BLOB PRIMARY KEY CHECK (length(id) = 16),
    number    INTEGER NOT NULL UNIQUE,
    client_id BLOB NOT NULL REFERENCES client (id),
    site_id   BLOB NOT NULL REFERENCES site (id),
    title     TEXT NOT NULL,
    zone      TEXT NOT NULL,
    days      TEXT NOT NULL,
    groups    TEXT NOT NULL,
    profiles  TEXT NOT NULL,
    needs     TEXT NOT NULL,
    note      TEXT NOT NULL,
    entered   INTEGER NOT NULL,
    by_name   TEXT NOT NULL,
    version   INTEGER NOT NULL
) STRICT;

CREATE INDEX survey_client ON survey (client_id, number);

CREATE TABLE worker (
    id        BLOB PRIMARY KEY CHECK (length(id) = 16),
    client_id BLOB NOT NULL REFERENCES client (id),
    pseudonym TEXT NOT NULL CHECK (pseudonym <> ''),
    entered   INTEGER NOT NULL,
    by_name   TEXT NOT NULL
) STRICT;

CREATE UNIQUE INDEX worker_pseudonym_folded ON worker (client_id, lower(pseudonym));

-- The only place that holds the names of workers. Erasing a row breaks nothing: no hash covers it.
CREATE TABLE worker_names (
    worker_id BLOB PRIMARY KEY REFERENCES worker (id),
    name      TEXT NOT NULL CHECK (name <> ''),
    entered   INTEGER NOT NULL,
    by_name   TEXT NOT NULL
) STRICT;

CREATE TABLE worker_day (
    id            BLOB PRIMARY KEY CHECK (length(id) = 16),
    client_id     BLOB NOT NULL REFERENCES client (id),
    survey_id     BLOB NOT NULL REFERENCES survey (id),
    worker_id     BLOB NOT NULL REFERENCES worker (id),
    group_id      BLOB,
    starts        INTEGER NOT NULL,
    date          TEXT NOT NULL,
    shift_minutes INTEGER NOT NULL CHECK (shift_minutes >= 0),
    parts         TEXT NOT NULL,
    note          TEXT NOT NULL,
    entered       INTEGER NOT NULL,
    by_name       TEXT NOT NULL,
    version       INTEGER NOT NULL
) STRICT;

CREATE INDEX worker_day_survey ON worker_day (survey_id, starts);

CREATE TABLE wear (
    id        BLOB PRIMARY KEY CHECK (length(id) = 16),
    client_id BLOB NOT NULL REFERENCES client (id),
    survey_id BLOB NOT NULL REFERENCES survey (id),
    day_id    BLOB NOT NULL REFERENCES worker_day (id),
    worker_id BLOB NOT NULL REFERENCES worker (id),
    unit_id   BLOB NOT NULL REFERENCES unit (id),
    unit_tag  TEXT NOT NULL,
    side      TEXT NOT NULL CHECK (side IN ('left', 'right')),
    starts    INTEGER NOT NULL,
    stops     INTEGER,
    outcome   TEXT NOT NULL CHECK (outcome IN ('', 'complete', 'cut short', 'lost', 'cleared', 'refused', 'unattended', 'swapped')),
    entered   INTEGER NOT NULL,
    by_name   TEXT NOT NULL,
    version   INTEGER NOT NULL
) STRICT;

CREATE INDEX wear_survey ON wear (survey_id, starts);
CREATE INDEX wear_time ON wear (starts);

-- What was said of a wear, appended. Free text may be emptied, nothing else changes.
CREATE TABLE wear_fact (
    id        BLOB PRIMARY KEY CHECK (length(id) = 16),
    wear_id   BLOB NOT NULL REFERENCES wear (id),
    client_id BLOB NOT NULL REFERENCES client (id),
    kind      TEXT NOT NULL CHECK (kind IN ('started', 'stopped')),
    occurred  INTEGER NOT NULL,
    entered   INTEGER NOT NULL,
    by_name   TEXT NOT NULL,
    outcome   TEXT NOT NULL,
    note      TEXT NOT NULL,
    override  TEXT NOT NULL,
    not_fit   TEXT NOT NULL
) STRICT;

CREATE INDEX wear_fact_wear ON wear_fact (wear_id, entered);

CREATE TABLE field_check (
    id            BLOB PRIMARY KEY CHECK (length(id) = 16),
    client_id     BLOB NOT NULL REFERENCES client (id),
    wear_id       BLOB NOT NULL REFERENCES wear (id),
    unit_id       BLOB NOT NULL REFERENCES unit (id),
    calibrator_id BLOB NOT NULL REFERENCES unit (id),
    side_of_wear  TEXT NOT NULL CHECK (side_of_wear IN ('before', 'after')),
    at            INTEGER NOT NULL,
    indicated_mdb INTEGER NOT NULL CHECK (indicated_mdb BETWEEN -20000 AND 200000),
    adjusted_mdb  INTEGER CHECK (adjusted_mdb BETWEEN -20000 AND 200000),
    temperature_c REAL,
    pressure_hpa  REAL,
    place         TEXT NOT NULL,
    entered       INTEGER NOT NULL,
    by_name       TEXT NOT NULL
) STRICT;

CREATE INDEX field_check_wear ON field_check (wear_id, at);
CREATE INDEX field_check_calibrator ON field_check (calibrator_id, at);

CREATE TABLE survey_return (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    number          INTEGER NOT NULL UNIQUE,
    client_id       BLOB REFERENCES client (id),
    sender_id       BLOB,
    name            TEXT NOT NULL,
    file_hash       TEXT NOT NULL CHECK (length(file_hash) = 64),
    size            INTEGER NOT NULL CHECK (size > 0),
    received        INTEGER NOT NULL,
    by_name         TEXT NOT NULL,
    state           TEXT NOT NULL CHECK (state IN ('needs linking', 'linked', 'accepted', 'rejected')),
    wear_id         BLOB REFERENCES wear (id),
    unit_name       TEXT NOT NULL,
    serial          TEXT NOT NULL,
    history         TEXT NOT NULL,
    clock_offset_ms INTEGER NOT NULL,
    clock_reason    TEXT NOT NULL,
    version         INTEGER NOT NULL,
    CHECK ((client_id IS NULL) = (wear_id IS NULL)),
    CHECK (wear_id IS NOT NULL OR state IN ('needs linking', 'rejected'))
) STRICT;

-- A wear has one return that counts.
CREATE UNIQUE INDEX survey_return_wear ON survey_return (wear_id) WHERE state IN ('linked', 'accepted');
CREATE INDEX survey_return_file ON survey_return (file_hash);

CREATE TABLE return_review (
    id         BLOB PRIMARY KEY CHECK (length(id) = 16),
    return_id  BLOB NOT NULL REFERENCES survey_return (id),
    client_id  BLOB REFERENCES client (id),
    wear_id    BLOB REFERENCES wear (id),
    verdict    TEXT NOT NULL CHECK (verdict IN ('accepted', 'rejected')),
    at         INTEGER NOT NULL,
    by_name    TEXT NOT NULL,
    reason     TEXT NOT NULL,
    exclusions TEXT NOT NULL,
    fact_id    BLOB
) STRICT;

CREATE INDEX return_review_return ON return_review (return_id, at);

-- document is the canonical JSON, hash its SHA-256; the other columns repeat what queries need of it.
CREATE TABLE result (
    id           BLOB PRIMARY KEY CHECK (length(id) = 16),
    number       INTEGER NOT NULL UNIQUE,
    client_id    BLOB NOT NULL REFERENCES client (id),
    survey_id    BLOB NOT NULL REFERENCES survey (id),
    day_id       BLOB NOT NULL REFERENCES worker_day (id),
    wear_id      BLOB NOT NULL REFERENCES wear (id),
    return_id    BLOB NOT NULL REFERENCES survey_return (id),
    replaces_id  BLOB UNIQUE REFERENCES result (id),
    computed     INTEGER NOT NULL,
    by_name      TEXT NOT NULL,
    content_hash TEXT NOT NULL CHECK (length(content_hash) = 64),
    hash         TEXT NOT NULL CHECK (length(hash) = 64),
    document     TEXT NOT NULL
) STRICT;

CREATE INDEX result_survey ON result (survey_id, number);
CREATE INDEX result_day ON result (day_id, number);
-- One first result a day: every other one replaces another.
CREATE UNIQUE INDEX result_first ON result (day_id) WHERE replaces_id IS NULL;

CREATE TABLE result_evidence (
    result_id BLOB NOT NULL REFERENCES result (id),
    n         INTEGER NOT NULL,
    client_id BLOB NOT NULL REFERENCES client (id),
    noun      TEXT NOT NULL,
    ref_id    BLOB,
    part_id   BLOB,
    hash      TEXT NOT NULL,
    PRIMARY KEY (result_id, n)
) STRICT;

CREATE INDEX result_evidence_ref ON result_evidence (ref_id);
CREATE INDEX result_evidence_part ON result_evidence (part_id);

-- Results and their evidence never change; of facts, checks and reviews only free text may be emptied.

-- +goose StatementBegin
CREATE TRIGGER wear_fact_frozen BEFORE UPDATE ON wear_fact
WHEN NOT (
    NEW.id IS OLD.id AND NEW.wear_id IS OLD.wear_id AND NEW.client_id IS OLD.client_id AND NEW.kind IS OLD.kind
    AND NEW.occurred IS OLD.occurred AND NEW.entered IS OLD.entered AND NEW.by_name IS OLD.by_name
    AND NEW.outcome IS OLD.outcome AND (NEW.note IS OLD.note OR NEW.note = '')
    AND (NEW.override IS OLD.override OR NEW.override = '') AND NEW.not_fit IS OLD.not_fit
)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER wear_fact_kept BEFORE DELETE ON wear_fact
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER field_check_frozen BEFORE UPDATE ON field_check
WHEN NOT (
    NEW.id IS OLD.id AND NEW.client_id IS OLD.client_id AND NEW.wear_id IS OLD.wear_id AND NEW.unit_id IS OLD.unit_id
    AND NEW.calibrator_id IS OLD.calibrator_id AND NEW.side_of_wear IS OLD.side_of_wear AND NEW.at IS OLD.at
    AND NEW.indicated_mdb IS OLD.indicated_mdb AND NEW.adjusted_mdb IS OLD.adjusted_mdb
    AND NEW.temperature_c IS OLD.temperature_c AND NEW.pressure_hpa IS OLD.pressure_hpa
    AND (NEW.place IS OLD.place OR NEW.place = '') AND NEW.entered IS OLD.entered AND NEW.by_name IS OLD.by_name
)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER field_check_kept BEFORE DELETE ON field_check
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER return_review_frozen BEFORE UPDATE ON return_review
WHEN NOT (
    NEW.id IS OLD.id AND NEW.return_id IS OLD.return_id AND NEW.client_id IS OLD.client_id
    AND NEW.wear_id IS OLD.wear_id AND NEW.verdict IS OLD.verdict AND NEW.at IS OLD.at AND NEW.by_name IS OLD.by_name
    AND (NEW.reason IS OLD.reason OR NEW.reason = '') AND NEW.exclusions IS OLD.exclusions
    AND NEW.fact_id IS OLD.fact_id
)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER return_review_kept BEFORE DELETE ON return_review
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_frozen BEFORE UPDATE ON result
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_kept BEFORE DELETE ON result
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_evidence_frozen BEFORE UPDATE ON result_evidence
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_evidence_kept BEFORE DELETE ON result_evidence
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- INSERT OR REPLACE removes rows without asking the triggers above.
-- +goose StatementBegin
CREATE TRIGGER wear_fact_once BEFORE INSERT ON wear_fact
WHEN EXISTS (SELECT 1 FROM wear_fact o WHERE o.id = NEW.id)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER field_check_once BEFORE INSERT ON field_check
WHEN EXISTS (SELECT 1 FROM field_check o WHERE o.id = NEW.id)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER return_review_once BEFORE INSERT ON return_review
WHEN EXISTS (SELECT 1 FROM return_review o WHERE o.id = NEW.id)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_once BEFORE INSERT ON result
WHEN EXISTS (SELECT 1 FROM result o WHERE o.id = NEW.id OR o.number = NEW.number OR o.replaces_id = NEW.replaces_id
    OR o.day_id = NEW.day_id AND o.replaces_id IS NULL AND NEW.replaces_id IS NULL)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_evidence_once BEFORE INSERT ON result_evidence
WHEN EXISTS (SELECT 1 FROM result_evidence o WHERE o.result_id = NEW.result_id AND o.n = NEW.n)
BEGIN
    SELECT RAISE(ABORT, 'kitd:frozen');
END;
-- +goose StatementEnd
