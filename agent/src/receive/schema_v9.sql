-- Copies of urgent events whose first receiver failed or was late. They are in no account: completeness is judged there.
ALTER TABLE event ADD COLUMN relayed INTEGER NOT NULL DEFAULT 0;

DROP VIEW events;
DROP VIEW reads;
DROP VIEW numbers;

CREATE VIEW numbers AS
  SELECT t.source, g.generation, n.sequence, e.id
  FROM (SELECT generation, sequence, no AS event FROM event WHERE relayed = 0
        UNION ALL SELECT generation, sequence, event FROM renumbered) n
  JOIN generation g ON g.no = n.generation JOIN trailer t ON t.no = g.trailer JOIN event e ON e.no = n.event;

CREATE VIEW events AS
  SELECT t.source, e.id, e.type, e.sequence, g.generation, e.time, e.hit, e.received_at, e.data, e.relayed
  FROM event e JOIN generation g ON g.no = e.generation AND g.trailer = e.trailer
  JOIN trailer t ON t.no = e.trailer AND t.no = g.trailer;

CREATE VIEW reads AS
  SELECT t.source, e.id, e.sequence, g.generation, e.time, e.hit, e.received_at, e.data,
         s.revision, s.spot, s.state, s.site, s.lat, s.lon, s.radius95_m, s.fix_age_s, s.line, s.line_state,
         s.clock_trust, s.clock_offset_ms, s.capture_far_s, s.captured_at_corrected, s.clock_error_ms, e.relayed
  FROM event e JOIN generation g ON g.no = e.generation AND g.trailer = e.trailer
  JOIN trailer t ON t.no = e.trailer AND t.no = g.trailer
  LEFT JOIN stamp s ON s.trailer = e.trailer AND s.read_id = e.id
    AND s.revision = (SELECT max(revision) FROM stamp m WHERE m.trailer = e.trailer AND m.read_id = e.id)
  WHERE e.type = 'pintle.read.v1';
