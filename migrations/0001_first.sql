-- Schema 1. Events are the truth; every other table but `local` and `seal` can be thrown away and rebuilt.

CREATE TABLE event (
    seq      INTEGER PRIMARY KEY,           -- order of arrival here; decides nothing
    hash     BLOB    NOT NULL UNIQUE,       -- SHA-256 of bytes
    device   BLOB    NOT NULL,
    number   INTEGER NOT NULL,
    action   BLOB    NOT NULL,
    kind     TEXT    NOT NULL,
    undoes   BLOB,                          -- the action that an undo takes back
    known    INTEGER NOT NULL,              -- 0: a kind or version of a newer program
    standing INTEGER NOT NULL DEFAULT 0,    -- 0 not judged, 1 counts, 2 undone, 3 too late, 4 set aside, 5 not understood
    bytes    BLOB    NOT NULL               -- as written or received, never written anew
) STRICT;
CREATE UNIQUE INDEX event_by_number ON event (device, number);
CREATE INDEX event_by_action ON event (action);
CREATE INDEX event_by_undone ON event (undoes) WHERE undoes IS NOT NULL;
CREATE INDEX event_unknown ON event (seq) WHERE known = 0;

CREATE TABLE touch (
    thing BLOB    NOT NULL,
    seq   INTEGER NOT NULL REFERENCES event (seq),
    head  INTEGER NOT NULL,                 -- 1: no other event of the thing is built on it
    PRIMARY KEY (thing, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX touch_heads ON touch (thing) WHERE head = 1;

CREATE TABLE seal (
    hash      BLOB NOT NULL PRIMARY KEY,    -- the last event of an action
    signature BLOB NOT NULL                 -- Ed25519 over the hash
) STRICT, WITHOUT ROWID;

-- State: one row a thing, pieces apart for their columns.
CREATE TABLE thing (
    id     BLOB    NOT NULL PRIMARY KEY,
    kind   TEXT    NOT NULL,
    code   TEXT,                            -- order or plan code, or name in lower case
    frozen INTEGER NOT NULL,
    body   TEXT                             -- the state as JSON; NULL where its birth was taken back
) STRICT, WITHOUT ROWID;
CREATE INDEX thing_by_kind ON thing (kind, code);

CREATE TABLE piece (
    id          BLOB    NOT NULL PRIMARY KEY,
    frozen      INTEGER NOT NULL,
    code        TEXT,
    kind        TEXT,
    status      TEXT,
    material    BLOB,
    rack        BLOB,
    lot         BLOB,
    parent      BLOB,
    area2       INTEGER,                    -- twice the net area, µm²
    received    INTEGER NOT NULL,           -- minor units, as are the next three
    carried     INTEGER NOT NULL,
    charged     INTEGER NOT NULL,
    written_off INTEGER NOT NULL,
    label_due   INTEGER NOT NULL,
    born_ms     INTEGER,
    body        TEXT
) STRICT, WITHOUT ROWID;
CREATE INDEX piece_by_code ON piece (code);
CREATE INDEX piece_by_material ON piece (material, status, area2);
CREATE INDEX piece_by_rack ON piece (rack) WHERE rack IS NOT NULL;
CREATE INDEX piece_by_parent ON piece (parent) WHERE parent IS NOT NULL;
CREATE INDEX piece_by_lot ON piece (lot);
CREATE INDEX piece_due ON piece (born_ms) WHERE label_due = 1;

-- Which pieces an order has been charged for.
CREATE TABLE charge (
    orders BLOB NOT NULL,
    piece  BLOB NOT NULL,
    PRIMARY KEY (orders, piece)
) STRICT, WITHOUT ROWID;

-- What is this file's own: the device that writes here. Not part of the digest.
CREATE TABLE local (
    key   TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;
