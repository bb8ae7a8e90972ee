-- The tables of a ledger. The file itself refuses a changed or deleted movement and a balance below zero.
CREATE TABLE lot (lot TEXT PRIMARY KEY, cells TEXT NOT NULL, product INTEGER NOT NULL);
CREATE TABLE document (document TEXT PRIMARY KEY, kind TEXT NOT NULL, at TEXT NOT NULL, person TEXT NOT NULL,
  party TEXT NOT NULL, reason TEXT NOT NULL, recorded TEXT NOT NULL);
CREATE TABLE movement (id INTEGER PRIMARY KEY AUTOINCREMENT, document TEXT NOT NULL REFERENCES document,
  kind TEXT NOT NULL, lot TEXT REFERENCES lot, item TEXT NOT NULL, units INTEGER NOT NULL, into_batch INTEGER NOT NULL,
  batch TEXT NOT NULL, reverses INTEGER UNIQUE REFERENCES movement);
CREATE TABLE setting (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE VIEW live AS SELECT movement.*, at, person, party, reason FROM movement JOIN document USING (document)
  WHERE movement.kind <> 'reverse' AND id NOT IN (SELECT reverses FROM movement WHERE reverses IS NOT NULL);
CREATE INDEX of_lot ON movement (lot, units);
CREATE INDEX of_batch ON movement (batch);
CREATE TRIGGER movement_kept BEFORE UPDATE ON movement BEGIN SELECT RAISE(ABORT, 'a movement is never changed'); END;
CREATE TRIGGER movement_stays BEFORE DELETE ON movement BEGIN SELECT RAISE(ABORT, 'a movement is never deleted'); END;
CREATE TRIGGER document_kept BEFORE UPDATE ON document BEGIN SELECT RAISE(ABORT, 'a document is never changed'); END;
CREATE TRIGGER document_stays BEFORE DELETE ON document BEGIN SELECT RAISE(ABORT, 'a document is never deleted'); END;
CREATE TRIGGER never_below_zero BEFORE INSERT ON movement WHEN NEW.units < 0
  AND (SELECT COALESCE(SUM(units), 0) FROM movement WHERE lot = NEW.lot) + NEW.units < 0
  BEGIN SELECT RAISE(ABORT, 'below zero'); END;
