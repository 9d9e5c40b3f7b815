-- Version 4: audio knows whether it is still what was stored.

-- CRC-32C (Castagnoli) of owner and part as int64 little-endian, then samples;
-- NULL: stored by a version before.
ALTER TABLE audio ADD COLUMN crc INTEGER;
ALTER TABLE event_audio ADD COLUMN crc INTEGER;
