-- Age limits and holds of the receiver's own store.

-- 'lived': the age of this store; 'holds'; 'secret': the key of the hashes in past.
CREATE TABLE kept (
  key   TEXT PRIMARY KEY,
  value BLOB NOT NULL
) STRICT, WITHOUT ROWID;

-- How far the tables were when the store had this age, so that the age of a row follows from its number.
CREATE TABLE mark (
  no       INTEGER PRIMARY KEY,
  lived    INTEGER NOT NULL,
  utc      INTEGER NOT NULL,
  event    INTEGER NOT NULL,
  conflict INTEGER NOT NULL
) STRICT;

-- Numbers whose events were here and were let go at their age limit.
CREATE TABLE gone (
  generation INTEGER NOT NULL REFERENCES generation (no),
  first      INTEGER NOT NULL,
  last       INTEGER NOT NULL,
  PRIMARY KEY (generation, first)
) STRICT, WITHOUT ROWID;

-- Their leaves, until their block was found equal. Without the salt, which went, they say nothing of the event.
CREATE TABLE gone_leaf (
  generation INTEGER NOT NULL REFERENCES generation (no),
  sequence   INTEGER NOT NULL,
  leaf       BLOB NOT NULL,
  PRIMARY KEY (generation, sequence)
) STRICT, WITHOUT ROWID;

-- Keyed hashes of their ids and contents, so that they are known when they come again.
CREATE TABLE past (
  number  INTEGER PRIMARY KEY,
  key     BLOB NOT NULL UNIQUE,
  tag     BLOB NOT NULL,
  gone_at INTEGER NOT NULL
) STRICT;

-- An event can go only if nothing names it; both are asked for each that goes.
CREATE INDEX renumbered_event ON renumbered (event);
CREATE INDEX explained_event ON explained (event);

CREATE VIEW let_go AS
  SELECT t.source, g.generation, x.first, x.last
  FROM gone x JOIN generation g ON g.no = x.generation JOIN trailer t ON t.no = g.trailer;
