-- Version 3: the audio around an event can be deleted, and the space given back.

ALTER TABLE events ADD COLUMN audio_deleted INTEGER REFERENCES log (id); -- NULL: it is kept
CREATE INDEX events_audio ON events (audio_deleted, audio_frames) WHERE audio_rate_hz > 0;
