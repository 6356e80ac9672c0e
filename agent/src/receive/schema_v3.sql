-- Requests in the name of another trailer than the token or certificate belongs to. Nothing of them was stored.
CREATE TABLE misuse (
  owner    TEXT NOT NULL,
  source   TEXT NOT NULL,
  times    INTEGER NOT NULL,
  first_at INTEGER NOT NULL,
  last_at  INTEGER NOT NULL,
  PRIMARY KEY (owner, source)
) STRICT, WITHOUT ROWID;
