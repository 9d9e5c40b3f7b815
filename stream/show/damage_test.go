package show

import (
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// flip turns a bit of a file over, as a bad disk would: so far behind where a
// pattern begins, wherever it is.
func flip(t *testing.T, path string, pattern []byte, offset int) {
	t.Helper()
	b := must(os.ReadFile(path))(t)
	found := false
	for i := 0; i+len(pattern) <= len(b); i++ { // a page that was split keeps an old copy
		if string(b[i:i+len(pattern)]) == string(pattern) {
			b[i+offset] ^= 1
			found = true
		}
	}
	if !found {
		t.Fatal("the pattern is not in the file")
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

func bytesOf(samples []float32) (b []byte) {
	for _, x := range samples {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
	}
	return b
}

// A bit flips in the audio of a take, of an event, and in what is noted of
// others: each says so in one line, with its number, and the rest is read.
func TestDamageIsFoundAndTheRestIsRead(t *testing.T) {
	s := newShow(t)
	for seed := int64(1); seed <= 4; seed++ {
		must(s.AddTake(Take{Name: fmt.Sprint("take ", seed), Origin: Measured, Source: fmt.Sprint("source ", seed),
			Settings: []byte(fmt.Sprintf(`{"noted":"of take %d"}`, seed))}, spectraOf(seed), audioOf(seed, 3000), ""))(t)
	}
	first, second := loud(t, s, 3000), loud(t, s, 3000)
	third := must(s.AddEvent(wire.Event{At: "2030-05-04T20:41:07.000Z", Text: "the third event"}))(t)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	flip(t, s.path, bytesOf(audioOf(2, 3000).Samples[200:210]), 7)
	half := func(e wire.Event) (b []byte) {
		a := make([]float32, 10)
		for i := range a {
			a[i] = float32(e.ID) + float32(1000+i)/1e7
		}
		return bytesOf(a)
	}
	flip(t, s.path, half(first), 7)
	flip(t, s.path, []byte(`{"noted":"of take 3"}`), 8) // the colon
	flip(t, s.path, []byte(`"text":"the third event"`), 6)

	s = must(Open(s.path))(t)
	defer s.Close()
	takes := must(s.Takes(Filter{}))(t)
	if len(takes) != 4 {
		t.Fatalf("%d takes", len(takes))
	}
	for i, x := range takes {
		var spectra response.Spectra
		if err := s.Spectra(x.ID, &spectra); err != nil || !reflect.DeepEqual(&spectra, spectraOf(int64(i+1))) {
			t.Errorf("the spectra of take %d: %v", x.ID, err)
		}
		a, err := s.TakeAudio(x.ID)
		switch i {
		case 1:
			mustBe(t, err, CodeDamaged, "the audio of take 2 is damaged")
		case 2: // its channels are not known
			if a != nil || x.Damaged == "" || x.Name != "take 3" {
				t.Errorf("%+v", x)
			}
		default:
			if err != nil || !reflect.DeepEqual(a, audioOf(int64(i+1), 3000)) || x.Damaged != "" {
				t.Errorf("the audio of take %d: %v", x.ID, err)
			}
		}
	}
	if _, err := json.Marshal(takes); err != nil {
		t.Error(err)
	}
	_, err := s.EventAudio(first.ID)
	mustBe(t, err, CodeDamaged, "the audio around event 1 is damaged")
	if a, err := s.EventAudio(second.ID); err != nil || len(a.Samples) != 6000 {
		t.Error(err)
	}
	if said := must(s.Damage(t.Context()))(t); len(said) != 2 || !strings.HasPrefix(said[0], "the audio of take 2 ") || said[1] != takes[2].Damaged {
		t.Errorf("%q", said)
	}
	events := must(s.Events(10, 0))(t)
	if len(events) != 3 || events[0].ID != third.ID || events[0].Text != "What was noted of event 3 is damaged: see a backup of the show." || events[1].Text != second.Text {
		t.Errorf("%+v", events)
	}
}

// Parts that are missing, too many, or of somebody else are damage as well.
func TestPartsBelongToTheirAudio(t *testing.T) {
	s := newShow(t)
	for seed := range int64(2) {
		must(s.AddTake(Take{Origin: Measured}, spectraOf(seed), audioOf(seed, 300000), ""))(t)
	}
	for what, statement := range map[string]string{
		"the last part is missing":  `DELETE FROM audio WHERE take = 1 AND part = 2`,
		"the first part is missing": `DELETE FROM audio WHERE take = 1 AND part = 0`,
		"parts are exchanged":       `UPDATE audio SET part = CASE part WHEN 0 THEN -1 WHEN 1 THEN 0 END WHERE take = 1 AND part < 2; UPDATE audio SET part = 1 WHERE part = -1`,
		"a part of another take":    `UPDATE audio SET (samples, crc) = (SELECT samples, crc FROM audio b WHERE take = 2 AND part = 1) WHERE take = 1 AND part = 1`,
		"a part more":               `INSERT INTO audio SELECT 1, 3, samples, crc FROM audio WHERE take = 1 AND part = 2`,
		"a shorter part":            `UPDATE audio SET samples = substr(samples, 1, 4000), crc = NULL WHERE take = 1 AND part = 2`,
	} {
		t.Run(what, func(t *testing.T) {
			for _, step := range []string{"SAVEPOINT whole", statement} {
				if _, err := s.db.Exec(step); err != nil {
					t.Fatal(err)
				}
			}
			_, err := s.TakeAudio(1)
			mustBe(t, err, CodeDamaged, "take 1 is damaged")
			if _, err := s.TakeAudio(2); err != nil {
				t.Error(err)
			}
			if _, err := s.db.Exec("ROLLBACK TO whole; RELEASE whole"); err != nil {
				t.Fatal(err)
			}
			if _, err := s.TakeAudio(1); err != nil {
				t.Error(err)
			}
		})
	}
}

// The checksum is CRC-32C: the check value of "123456789" is E3069283 (RFC 3720,
// appendix B.4, and the catalogues of CRCs).
func TestChecksumIsCRC32C(t *testing.T) {
	if got := crc32.Checksum([]byte("123456789"), castagnoli); got != 0xe3069283 {
		t.Errorf("%x", got)
	}
	want := int64(crc32.Checksum([]byte("\x07\x00\x00\x00\x00\x00\x00\x00\x02\x00\x00\x00\x00\x00\x00\x00abcd"), castagnoli))
	if got := sumPart(7, 2, []byte("abcd")); got != want {
		t.Errorf("%x, want %x", got, want)
	}
}

// Audio of a version before is read as it was; what is stored from now on has a
// checksum.
func TestOldAudioIsReadWithoutChecksum(t *testing.T) {
	path := filepath.Join(t.TempDir(), "old.plumbline")
	db := must(sql.Open("sqlite", dsn(path)))(t)
	db.SetMaxOpenConns(1)
	if err := migrate(db, migrations[:3]); err != nil {
		t.Fatal(err)
	}
	for _, step := range []string{
		fmt.Sprintf("PRAGMA application_id = %d", applicationID),
		"INSERT INTO meta VALUES ('name', 'old'), ('made_ms', '1')",
		`INSERT INTO events (at_ms, body, audio_rate_hz, audio_frames, audio_event_s) VALUES (1, '{"text":"old"}', 48000, 2, 0)`,
		`INSERT INTO event_audio VALUES (1, 0, x'0000803f000000400000404000008040')`,
	} {
		if _, err := db.Exec(step); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s := must(Open(path))(t)
	defer s.Close()
	if a, err := s.EventAudio(1); err != nil || !reflect.DeepEqual(a.Samples, []float32{1, 2, 3, 4}) {
		t.Errorf("%v, %v", a, err)
	}
	must(s.AddTake(Take{Origin: Measured}, spectraOf(1), audioOf(1, 100), ""))(t)
	var unchecked int
	if err := s.db.QueryRow("SELECT count(*) FROM audio WHERE crc IS NULL").Scan(&unchecked); err != nil || unchecked != 0 {
		t.Errorf("%d parts without a checksum: %v", unchecked, err)
	}
}
