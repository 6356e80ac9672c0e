-- What the trailers' ledgers say of pictures that will not come: of the reads with these numbers each picture that is
-- not here will not come, and why. word: 'expired', 'evicted', 'refused', 'not carried' or 'lost'.
CREATE TABLE picture_gone (
  generation INTEGER NOT NULL REFERENCES generation (no),
  first      INTEGER NOT NULL,
  last       INTEGER NOT NULL,
  word       TEXT NOT NULL,
  PRIMARY KEY (generation, first, last, word)
) STRICT, WITHOUT ROWID;

CREATE VIEW pictures_gone AS
  SELECT t.source, g.generation, x.first, x.last, x.word
  FROM picture_gone x JOIN generation g ON g.no = x.generation JOIN trailer t ON t.no = g.trailer;

-- How long after its capture, or after it happened, an event was sent: seconds; null if it was not late.
ALTER TABLE event ADD COLUMN late_s INTEGER;

DROP VIEW events;
DROP VIEW reads;

CREATE VIEW events AS
  SELECT t.source, e.id, e.type, e.sequence, g.generation, e.time, e.hit, e.received_at, e.data, e.relayed, e.late_s
  FROM event e JOIN generation g ON g.no = e.generation AND g.trailer = e.trailer
  JOIN trailer t ON t.no = e.trailer AND t.no = g.trailer;

CREATE VIEW reads AS
  SELECT t.source, e.id, e.sequence, g.generation, e.time, e.hit, e.received_at, e.data,
         s.revision, s.spot, s.state, s.site, s.lat, s.lon, s.radius95_m, s.fix_age_s, s.line, s.line_state,
         s.clock_trust, s.clock_offset_ms, s.capture_far_s, s.captured_at_corrected, s.clock_error_ms, e.relayed,
         e.late_s
  FROM event e JOIN generation g ON g.no = e.generation AND g.trailer = e.trailer
  JOIN trailer t ON t.no = e.trailer AND t.no = g.trailer
  LEFT JOIN stamp s ON s.trailer = e.trailer AND s.read_id = e.id
    AND s.revision = (SELECT max(revision) FROM stamp m WHERE m.trailer = e.trailer AND m.read_id = e.id)
  WHERE e.type = 'pintle.read.v1';
