-- Schema 2. What a question over the whole stock looks at, apart from the pieces' bodies: one row a piece on hand.
-- A state table: thrown away and rebuilt with the others; not part of the digest.

CREATE TABLE stock (
    material  BLOB    NOT NULL,
    piece     BLOB    NOT NULL,
    kind      TEXT    NOT NULL,             -- sheet or offcut
    free      INTEGER NOT NULL,             -- 0: held or in conflict
    lot       BLOB,
    grain     INTEGER,                      -- microdegrees
    born_ms   INTEGER NOT NULL,
    area2     INTEGER NOT NULL,             -- twice the net area, µm²
    made_from BLOB    NOT NULL,             -- hash of the shape and flaws
    version   INTEGER NOT NULL,             -- of the signature; 0: not worked out yet
    signature BLOB,                         -- of that shape with those flaws
    PRIMARY KEY (material, piece)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX stock_by_piece ON stock (piece);
CREATE INDEX stock_by_version ON stock (material, version);
