-- Schema 4. The network. All of it is this file's own: it goes to no other device and is not part of the digest.

-- Whom this device was paired with: other devices, and browsers on phones and tablets.
CREATE TABLE peer (
    fingerprint BLOB    NOT NULL PRIMARY KEY, -- SHA-256 of a device's certificate, or of what a browser keeps as its key
    device      BLOB,                         -- of a device; NULL for a browser
    name        TEXT,                         -- of a browser
    role        TEXT,                         -- of a browser: what it may do
    address     TEXT,                         -- where this device calls it; NULL where only it calls
    paired_ms   INTEGER NOT NULL,
    seen_ms     INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Pieces that another device said it is about to use.
CREATE TABLE claim (
    piece    BLOB    NOT NULL PRIMARY KEY,
    device   BLOB    NOT NULL,
    until_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
