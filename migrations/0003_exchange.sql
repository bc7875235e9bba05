-- Schema 3. Exchange with other devices. Like `event`, these are the truth; only `want` could be rebuilt.

-- Events that are here and have no effect yet: something they need is missing, or their device is forked.
CREATE TABLE waiting (
    hash   BLOB    NOT NULL PRIMARY KEY,
    device BLOB    NOT NULL,
    number INTEGER NOT NULL,
    action BLOB    NOT NULL,
    own    INTEGER NOT NULL,                -- 1: it had effect here before the fork was found
    bytes  BLOB    NOT NULL                 -- as received, never written anew
) STRICT, WITHOUT ROWID;
CREATE INDEX waiting_by_number ON waiting (device, number);
CREATE INDEX waiting_by_action ON waiting (action);

-- What a waiting action lacks: looked up when that arrives.
CREATE TABLE want (
    missing BLOB NOT NULL,                  -- hash of an event
    device  BLOB NOT NULL,
    action  BLOB NOT NULL,
    PRIMARY KEY (missing, device, action)
) STRICT, WITHOUT ROWID;

-- Of each device, the end of the unbroken run of numbers that is here, with effect or waiting.
CREATE TABLE run (
    device BLOB    NOT NULL PRIMARY KEY,
    number INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO run (device, number) SELECT device, max(number) FROM event GROUP BY device;

-- Two events of one device with one number: from it on, none of that device has effect.
CREATE TABLE fork (
    device BLOB    NOT NULL PRIMARY KEY,
    number INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
