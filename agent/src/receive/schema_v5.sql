-- Files that belong to reads, as their events announce them; received_at: when the file was whole here.
CREATE TABLE image (
  event       INTEGER NOT NULL REFERENCES event (no) ON DELETE CASCADE,
  part        INTEGER NOT NULL,
  trailer     INTEGER NOT NULL REFERENCES trailer (no),
  role        TEXT NOT NULL,
  kind        TEXT NOT NULL,
  address     BLOB NOT NULL,
  bytes       INTEGER NOT NULL,
  media_type  TEXT NOT NULL,
  received_at INTEGER,
  PRIMARY KEY (event, part)
) STRICT, WITHOUT ROWID;
CREATE INDEX image_address ON image (address, trailer);

CREATE VIEW images AS
  SELECT t.source, e.id AS read_id, i.part, i.role, i.kind, lower(hex(i.address)) AS sha256, i.bytes, i.media_type, i.received_at
  FROM image i JOIN event e ON e.no = i.event JOIN trailer t ON t.no = i.trailer;
