-- Blocks of events: what the trailer told of them, and whether the events here are the same, byte for byte.

-- The 16 random bytes of an event, and SHA-256 over them and the bytes of the event as it came.
ALTER TABLE event ADD COLUMN salt BLOB;
ALTER TABLE event ADD COLUMN leaf BLOB;
ALTER TABLE renumbered ADD COLUMN leaf BLOB;

-- verdict: 'equal'; 'asked' (it differs, and the events were asked for again); 'differs' (it still does after the last round).
CREATE TABLE block (
  generation INTEGER NOT NULL REFERENCES generation (no),
  first      INTEGER NOT NULL,
  last       INTEGER NOT NULL,
  count      INTEGER NOT NULL,
  root       BLOB NOT NULL,
  verdict    TEXT NOT NULL,
  rounds     INTEGER NOT NULL,
  told_at    INTEGER NOT NULL,
  PRIMARY KEY (generation, first)
) STRICT, WITHOUT ROWID;

CREATE VIEW blocks AS
  SELECT t.source, g.generation, b.first, b.last, b.count, lower(hex(b.root)) AS root, b.verdict, b.rounds, b.told_at
  FROM block b JOIN generation g ON g.no = b.generation JOIN trailer t ON t.no = g.trailer;
