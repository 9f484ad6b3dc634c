-- The ledger: one row for everything that happened, in order, never changed.
CREATE TABLE event (
  id      INTEGER PRIMARY KEY,                      -- 1, 2, 3, … without holes
  at      TEXT NOT NULL,                            -- UTC, RFC 3339
  who     TEXT NOT NULL,
  kind    TEXT NOT NULL,
  version INTEGER NOT NULL,                         -- of the payload's form
  payload TEXT NOT NULL CHECK (json_valid(payload)),
  hash    TEXT NOT NULL                             -- blake3 of the JSON array [hash of the row before, id, at, who, kind, version, payload]
) STRICT;

CREATE TRIGGER event_no_update BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: a correction is a new entry'); END;

CREATE TRIGGER event_no_delete BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: nothing is deleted'); END;

-- INSERT OR REPLACE would otherwise remove a row without the trigger above being asked.
CREATE TRIGGER event_in_order BEFORE INSERT ON event
WHEN NEW.id IS NOT (SELECT coalesce(max(id), 0) + 1 FROM event)
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: entries are numbered without holes'); END;

-- What follows is for people with any SQLite tool; the program derives the same from the events.
CREATE VIEW sample AS
SELECT payload ->> 'id' AS id, payload ->> 'serial' AS serial, payload ->> 'description' AS description, at AS added_at, who
FROM event WHERE kind = 'sample_added';

CREATE VIEW modification_state AS
SELECT payload ->> 'id' AS id, payload ->> 'description' AS description, payload ->> 'based_on' AS based_on,
       at AS added_at, who
FROM event WHERE kind = 'state_added';

CREATE VIEW calibration AS
SELECT CASE kind WHEN 'equipment_added' THEN payload ->> 'id' ELSE payload ->> 'equipment' END AS equipment,
       payload ->> 'calibrated' AS calibrated, payload ->> 'due' AS due, payload ->> 'certificate' AS certificate, id AS event
FROM event WHERE kind IN ('equipment_added', 'equipment_calibrated');

CREATE VIEW equipment AS
SELECT payload ->> 'id' AS id, payload ->> 'name' AS name, payload ->> 'model' AS model, payload ->> 'serial' AS serial,
       (SELECT c.due FROM calibration c WHERE c.equipment = e.payload ->> 'id' ORDER BY c.calibrated DESC, c.event DESC LIMIT 1)
         AS due,
       at AS added_at, who
FROM event e WHERE kind = 'equipment_added';

CREATE VIEW capture AS
SELECT payload ->> 'id' AS id, payload ->> '$.file.original_name' AS original_name, payload ->> '$.file.blake3' AS blake3,
       payload ->> '$.file.length_bytes' AS length_bytes, payload ->> '$.companion.stored_as' AS companion,
       at AS added_at, who
FROM event WHERE kind = 'capture_added';

CREATE VIEW run AS
SELECT payload ->> 'id' AS id, payload ->> 'title' AS title, payload ->> 'kind' AS kind,
       payload ->> 'measured_at' AS measured_at, payload ->> 'port' AS port, payload ->> 'sample' AS sample,
       payload ->> 'state' AS state, payload ->> 'mode' AS mode, payload ->> 'conductor' AS conductor,
       payload ->> '$.chain.name' AS chain,
       (SELECT r.payload ->> 'summary' FROM event r
         WHERE r.kind = 'run_result' AND r.payload ->> 'run' = e.payload ->> 'id' ORDER BY r.id DESC LIMIT 1) AS result,
       (SELECT w.payload ->> 'reason' FROM event w
         WHERE w.kind = 'run_withdrawn' AND w.payload ->> 'run' = e.payload ->> 'id' ORDER BY w.id LIMIT 1) AS withdrawn,
       at AS added_at, who
FROM event e WHERE kind = 'run_added';
