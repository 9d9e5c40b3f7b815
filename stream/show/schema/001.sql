-- A show, version 1. Times are ms since 1970, UTC. deleted names the log entry
-- that deleted the row; NULL is alive.

CREATE TABLE meta (
	key   TEXT PRIMARY KEY,
	value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE log (
	id     INTEGER PRIMARY KEY AUTOINCREMENT,
	at_ms  INTEGER NOT NULL,
	by     TEXT NOT NULL,
	action TEXT NOT NULL, -- 'note', 'add', 'change', 'delete', 'undo', 'open'
	kind   TEXT NOT NULL, -- of the item, or ''
	item   INTEGER NOT NULL,
	text   TEXT NOT NULL,
	undone INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE TABLE loudspeakers (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	name    TEXT NOT NULL,
	role    TEXT NOT NULL,
	channel INTEGER NOT NULL, -- output channel from 1; 0 none
	note    TEXT NOT NULL,
	deleted INTEGER REFERENCES log (id)
) STRICT;
CREATE UNIQUE INDEX loudspeakers_name ON loudspeakers (name) WHERE deleted IS NULL;

CREATE TABLE seats (
	id       INTEGER PRIMARY KEY AUTOINCREMENT,
	name     TEXT NOT NULL,
	position TEXT NOT NULL, -- JSON [x, y, z] in m on the plan, or null
	note     TEXT NOT NULL,
	deleted  INTEGER REFERENCES log (id)
) STRICT;
CREATE UNIQUE INDEX seats_name ON seats (name) WHERE deleted IS NULL;

CREATE TABLE corrections (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	name    TEXT NOT NULL,
	points  TEXT NOT NULL, -- JSON [[Hz, dB], ...], ascending
	note    TEXT NOT NULL,
	deleted INTEGER REFERENCES log (id)
) STRICT;
CREATE UNIQUE INDEX corrections_name ON corrections (name) WHERE deleted IS NULL;

CREATE TABLE takes (
	id            INTEGER PRIMARY KEY AUTOINCREMENT,
	at_ms         INTEGER NOT NULL,
	by            TEXT NOT NULL,
	name          TEXT NOT NULL,
	note          TEXT NOT NULL,
	seat          INTEGER REFERENCES seats (id),
	correction    INTEGER REFERENCES corrections (id), -- applied when read
	origin        TEXT NOT NULL, -- 'measured' or 'imported'
	source        TEXT NOT NULL, -- device, file or rig
	reference     INTEGER NOT NULL, -- channels from 1
	microphone    INTEGER NOT NULL,
	rate_hz       REAL NOT NULL,
	window        INTEGER NOT NULL, -- samples; 0 multi-resolution
	overlap       REAL NOT NULL,
	delay_s       REAL NOT NULL,
	averaged_s    REAL NOT NULL,
	gaps          INTEGER NOT NULL,
	temperature_c REAL NOT NULL,
	settings      TEXT NOT NULL, -- JSON, as they were
	results       TEXT NOT NULL, -- JSON: delay, arrivals, polarity, levels
	spectra       BLOB NOT NULL,
	audio_rate_hz INTEGER NOT NULL, -- 0: no audio
	audio_channels TEXT NOT NULL,   -- JSON, channels of the source
	audio_frames  INTEGER NOT NULL,
	deleted       INTEGER REFERENCES log (id)
) STRICT;
CREATE INDEX takes_seat ON takes (seat);

CREATE TABLE take_loudspeakers (
	take        INTEGER NOT NULL REFERENCES takes (id),
	loudspeaker INTEGER NOT NULL REFERENCES loudspeakers (id),
	PRIMARY KEY (take, loudspeaker)
) STRICT, WITHOUT ROWID;

CREATE TABLE audio (
	take    INTEGER NOT NULL REFERENCES takes (id),
	part    INTEGER NOT NULL,
	samples BLOB NOT NULL, -- float32, little-endian, interleaved
	PRIMARY KEY (take, part)
) STRICT;

CREATE TABLE plans (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	at_ms   INTEGER NOT NULL,
	name    TEXT NOT NULL,
	body    TEXT NOT NULL, -- JSON
	note    TEXT NOT NULL,
	deleted INTEGER REFERENCES log (id)
) STRICT;

CREATE TABLE notes (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	at_ms   INTEGER NOT NULL,
	by      TEXT NOT NULL,
	kind    TEXT NOT NULL, -- of the item it is about, or ''
	item    INTEGER NOT NULL,
	text    TEXT NOT NULL,
	deleted INTEGER REFERENCES log (id)
) STRICT;
