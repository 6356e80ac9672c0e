-- Times without a name of their own are milliseconds since 1970, UTC.

CREATE TABLE trailer (
  no         INTEGER PRIMARY KEY,
  source     TEXT NOT NULL UNIQUE
) STRICT;

-- One queue of one trailer: its numbers run from 1 without gaps up to accepted_up_to.
CREATE TABLE generation (
  no             INTEGER PRIMARY KEY,
  trailer        INTEGER NOT NULL REFERENCES trailer (no),
  generation     TEXT NOT NULL,
  accepted_up_to INTEGER NOT NULL,
  first_heard    INTEGER NOT NULL,
  last_heard     INTEGER NOT NULL,
  closed         INTEGER NOT NULL DEFAULT 0,
  duplicates     INTEGER NOT NULL DEFAULT 0,
  refused        INTEGER NOT NULL DEFAULT 0,
  conflicts      INTEGER NOT NULL DEFAULT 0,
  UNIQUE (trailer, generation)
) STRICT;

-- Every event once, as it came; data is kept byte for byte.
CREATE TABLE event (
  no           INTEGER PRIMARY KEY,
  trailer      INTEGER NOT NULL REFERENCES trailer (no),
  id           TEXT NOT NULL,
  type         TEXT NOT NULL,
  generation   INTEGER NOT NULL REFERENCES generation (no),
  sequence     INTEGER NOT NULL,
  time         TEXT NOT NULL,
  hit          INTEGER NOT NULL,
  received_at  INTEGER NOT NULL,
  content_hash BLOB NOT NULL,
  data         TEXT NOT NULL,
  UNIQUE (trailer, id)
) STRICT;
CREATE INDEX event_number ON event (generation, sequence);

-- The same event under a further number, as after a trailer was restored from an older copy of its queue.
CREATE TABLE renumbered (
  generation INTEGER NOT NULL REFERENCES generation (no),
  sequence   INTEGER NOT NULL,
  event      INTEGER NOT NULL REFERENCES event (no),
  PRIMARY KEY (generation, sequence, event)
) STRICT, WITHOUT ROWID;

-- All stamps of all reads; the highest revision is the one to show.
CREATE TABLE stamp (
  trailer         INTEGER NOT NULL REFERENCES trailer (no),
  read_id         TEXT NOT NULL,
  revision        INTEGER NOT NULL,
  received_at     INTEGER NOT NULL,
  spot            TEXT NOT NULL,
  state           TEXT NOT NULL,
  site            INTEGER,
  lat             REAL,
  lon             REAL,
  radius95_m      REAL,
  fix_age_s       REAL,
  line            TEXT NOT NULL,
  line_state      TEXT NOT NULL,
  clock_trust     TEXT NOT NULL,
  clock_offset_ms INTEGER,
  capture_far_s   INTEGER,
  PRIMARY KEY (trailer, read_id, revision)
) STRICT, WITHOUT ROWID;

-- What the trailer's ledger says of numbers that will not come.
CREATE TABLE explained (
  generation INTEGER NOT NULL REFERENCES generation (no),
  first      INTEGER NOT NULL,
  last       INTEGER NOT NULL,
  word       TEXT NOT NULL,
  event      INTEGER NOT NULL REFERENCES event (no),
  PRIMARY KEY (generation, first, last, word)
) STRICT, WITHOUT ROWID;

-- Other content under a known id (what = 'content') or a known revision of a stamp (what = 'stamp'), kept apart.
CREATE TABLE conflict (
  no           INTEGER PRIMARY KEY,
  trailer      INTEGER NOT NULL REFERENCES trailer (no),
  id           TEXT NOT NULL,
  what         TEXT NOT NULL,
  generation   INTEGER NOT NULL REFERENCES generation (no),
  sequence     INTEGER NOT NULL,
  received_at  INTEGER NOT NULL,
  content_hash BLOB NOT NULL,
  data         TEXT NOT NULL,
  UNIQUE (trailer, id, what, content_hash)
) STRICT;

-- Events that were refused, without their content.
CREATE TABLE refusal (
  trailer     INTEGER NOT NULL REFERENCES trailer (no),
  id          TEXT NOT NULL,
  generation  TEXT,
  sequence    INTEGER,
  problem     TEXT NOT NULL,
  times       INTEGER NOT NULL,
  received_at INTEGER NOT NULL,
  PRIMARY KEY (trailer, id)
) STRICT, WITHOUT ROWID;

CREATE VIEW events AS
  SELECT t.source, e.id, e.type, e.sequence, g.generation, e.time, e.hit, e.received_at, e.data
  FROM event e JOIN generation g ON g.no = e.generation JOIN trailer t ON t.no = e.trailer;

CREATE VIEW generations AS
  SELECT t.source, g.generation, g.accepted_up_to, g.first_heard, g.last_heard, g.closed, g.duplicates, g.refused, g.conflicts
  FROM generation g JOIN trailer t ON t.no = g.trailer;

CREATE VIEW numbers AS
  SELECT t.source, g.generation, n.sequence, e.id
  FROM (SELECT generation, sequence, no AS event FROM event UNION ALL SELECT generation, sequence, event FROM renumbered) n
  JOIN generation g ON g.no = n.generation JOIN trailer t ON t.no = g.trailer JOIN event e ON e.no = n.event;

CREATE VIEW explanations AS
  SELECT t.source, g.generation, x.first, x.last, x.word
  FROM explained x JOIN generation g ON g.no = x.generation JOIN trailer t ON t.no = g.trailer;

CREATE VIEW stamps AS
  SELECT t.source, s.read_id, s.revision, s.spot, s.state, s.site, s.lat, s.lon, s.radius95_m, s.fix_age_s,
         s.line, s.line_state, s.clock_trust, s.clock_offset_ms, s.capture_far_s, s.received_at
  FROM stamp s JOIN trailer t ON t.no = s.trailer;

-- Every read with its newest stamp.
CREATE VIEW reads AS
  SELECT t.source, e.id, e.sequence, g.generation, e.time, e.hit, e.received_at, e.data,
         s.revision, s.spot, s.state, s.site, s.lat, s.lon, s.radius95_m, s.fix_age_s, s.line, s.line_state,
         s.clock_trust, s.clock_offset_ms, s.capture_far_s
  FROM event e JOIN generation g ON g.no = e.generation JOIN trailer t ON t.no = e.trailer
  LEFT JOIN stamp s ON s.trailer = e.trailer AND s.read_id = e.id
    AND s.revision = (SELECT max(revision) FROM stamp m WHERE m.trailer = e.trailer AND m.read_id = e.id)
  WHERE e.type = 'pintle.read.v1';
