-- The newest state that each trailer told of itself; received_at by this computer's clock. raised: what people were
-- told of it last: '', 'act' or 'silent'.
CREATE TABLE state (
  trailer       INTEGER PRIMARY KEY REFERENCES trailer (no),
  id            TEXT NOT NULL,
  received_at   INTEGER NOT NULL,
  boot_id       TEXT NOT NULL,
  boot_clock_ms INTEGER NOT NULL,
  data          TEXT NOT NULL,
  raised        TEXT NOT NULL DEFAULT ''
) STRICT;

-- What this receiver raised by itself. AUTOINCREMENT: a listener goes on after the number that it has seen.
CREATE TABLE raised (
  no      INTEGER PRIMARY KEY AUTOINCREMENT,
  trailer INTEGER NOT NULL REFERENCES trailer (no),
  id      TEXT NOT NULL,
  at      INTEGER NOT NULL,
  kind    TEXT NOT NULL,
  urgent  INTEGER NOT NULL,
  text    TEXT NOT NULL
) STRICT;

-- How far somebody who is told of urgent things has been told: numbers in event and in raised.
CREATE TABLE told_up_to (
  name   TEXT PRIMARY KEY,
  event  INTEGER NOT NULL,
  raised INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
