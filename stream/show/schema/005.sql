-- Version 5: what the Listen page lays behind the live trace, and beside which target.

CREATE TABLE traces (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	at_ms      INTEGER NOT NULL,
	by         TEXT NOT NULL,
	name       TEXT NOT NULL,
	number     INTEGER NOT NULL, -- from 1, the key that shows and hides it
	shown      INTEGER NOT NULL, -- 0 or 1
	microphone INTEGER NOT NULL, -- channel; 0: it was not heard here
	heard      TEXT NOT NULL,    -- what that channel was called then
	note       TEXT NOT NULL,
	curve      TEXT NOT NULL,    -- JSON, as it was drawn
	deleted    INTEGER REFERENCES log (id)
) STRICT;

CREATE TABLE targets (
	id        INTEGER PRIMARY KEY AUTOINCREMENT,
	name      TEXT NOT NULL,
	points    TEXT NOT NULL, -- JSON [[Hz, dB], ...], ascending
	offset    REAL NOT NULL, -- dB, laid over all points
	tolerance REAL NOT NULL, -- dB, up and down
	shown     INTEGER NOT NULL,
	note      TEXT NOT NULL,
	deleted   INTEGER REFERENCES log (id)
) STRICT;
