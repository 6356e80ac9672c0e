-- The true capture time of a read that was dated by a wrong clock, and how sure its time is.

ALTER TABLE stamp ADD COLUMN captured_at_corrected TEXT;
ALTER TABLE stamp ADD COLUMN clock_error_ms INTEGER;

DROP VIEW stamps;
DROP VIEW reads;

CREATE VIEW stamps AS
  SELECT t.source, s.read_id, s.revision, s.spot, s.state, s.site, s.lat, s.lon, s.radius95_m, s.fix_age_s,
         s.line, s.line_state, s.clock_trust, s.clock_offset_ms, s.capture_far_s, s.captured_at_corrected, s.clock_error_ms, s.received_at
  FROM stamp s JOIN trailer t ON t.no = s.trailer;

CREATE VIEW reads AS
  SELECT t.source, e.id, e.sequence, g.generation, e.time, e.hit, e.received_at, e.data,
         s.revision, s.spot, s.state, s.site, s.lat, s.lon, s.radius95_m, s.fix_age_s, s.line, s.line_state,
         s.clock_trust, s.clock_offset_ms, s.capture_far_s, s.captured_at_corrected, s.clock_error_ms
  FROM event e JOIN generation g ON g.no = e.generation JOIN trailer t ON t.no = e.trailer
  LEFT JOIN stamp s ON s.trailer = e.trailer AND s.read_id = e.id
    AND s.revision = (SELECT max(revision) FROM stamp m WHERE m.trailer = e.trailer AND m.read_id = e.id)
  WHERE e.type = 'pintle.read.v1';
