-- Version 2: the level log and the events of the watch.

-- A row a second and microphone. Levels are hundredths of a decibel re full
-- scale, NULL unknown; a calibration's offset makes them re 20 uPa.
CREATE TABLE levels (
	microphone  INTEGER NOT NULL, -- channel from 1
	at_ms       INTEGER NOT NULL, -- wall clock at its end
	sample      INTEGER NOT NULL, -- index behind it, since the daemon started
	duration_ms INTEGER NOT NULL,
	offset      INTEGER, -- NULL: not calibrated
	laeq        INTEGER,
	lceq        INTEGER,
	lafmax      INTEGER,
	lcpeak      INTEGER,
	bands       BLOB NOT NULL, -- Leq of each, int16 little-endian, -32768 unknown
	PRIMARY KEY (microphone, at_ms, sample)
) STRICT, WITHOUT ROWID;

-- The same by minutes, made from levels: a day is drawn from these.
CREATE TABLE level_minutes (
	microphone  INTEGER NOT NULL,
	at_ms       INTEGER NOT NULL, -- end of the minute
	sample      INTEGER NOT NULL, -- 0
	duration_ms INTEGER NOT NULL, -- covered
	offset      INTEGER,
	laeq        INTEGER,
	lceq        INTEGER,
	lafmax      INTEGER,
	lcpeak      INTEGER,
	bands       BLOB NOT NULL,
	PRIMARY KEY (microphone, at_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE level_marks (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	at_ms      INTEGER NOT NULL,
	microphone INTEGER NOT NULL, -- 0 all
	kind       TEXT NOT NULL,
	text       TEXT NOT NULL
) STRICT;
CREATE INDEX level_marks_at ON level_marks (at_ms);

CREATE TABLE events (
	id              INTEGER PRIMARY KEY AUTOINCREMENT,
	at_ms           INTEGER NOT NULL,
	body            TEXT NOT NULL, -- JSON, as it was found
	audio_rate_hz   INTEGER NOT NULL DEFAULT 0, -- 0: none
	audio_frames    INTEGER NOT NULL DEFAULT 0,
	audio_event_s   REAL NOT NULL DEFAULT 0,    -- where in the audio the event was found
	acknowledged_by TEXT NOT NULL DEFAULT '',
	acknowledged_ms INTEGER NOT NULL DEFAULT 0, -- 0: not yet
	comment         TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE TABLE event_audio (
	event   INTEGER NOT NULL REFERENCES events (id),
	part    INTEGER NOT NULL,
	samples BLOB NOT NULL, -- float32, little-endian: reference, microphone, ...
	PRIMARY KEY (event, part)
) STRICT;
