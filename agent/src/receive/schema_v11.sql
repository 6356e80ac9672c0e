-- What somebody who is told of urgent things has still to be told. raised: 1 a row of raised, 0 one of event; id: so that
-- a number that is given again names nothing else; came: the age of the store when it came. No content is kept here.
CREATE TABLE untold (
  name     TEXT NOT NULL,
  raised   INTEGER NOT NULL,
  no       INTEGER NOT NULL,
  id       TEXT NOT NULL,
  urgent   INTEGER NOT NULL,
  happened INTEGER NOT NULL,
  came     INTEGER NOT NULL,
  tries    INTEGER NOT NULL DEFAULT 0,
  refused  INTEGER NOT NULL DEFAULT 0,
  aside    INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (name, raised, no)
) STRICT, WITHOUT ROWID;

-- The age of the store when the newest state of a trailer came; null until the watch has seen it. What is silent is
-- judged by it: the host's clock may leap.
ALTER TABLE state ADD COLUMN lived INTEGER;

-- What was raised and a person has settled. It stays in the record. what: 'misuse', 'conflicts', 'differs', 'doubled',
-- 'purged' or 'unreadable'; about: the queue, for misuse in whose name it was; numbers: as runs, if it is about numbers.
CREATE TABLE settled (
  no      INTEGER PRIMARY KEY,
  what    TEXT NOT NULL,
  source  TEXT NOT NULL,
  about   TEXT NOT NULL,
  times   INTEGER NOT NULL,
  numbers TEXT NOT NULL,
  at      INTEGER NOT NULL,
  by_whom TEXT NOT NULL,
  why     TEXT NOT NULL
) STRICT;
