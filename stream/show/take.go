package show

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"

	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// Take is what is known of a stored measurement, beside its spectra and audio.
type Take struct {
	ID           int64           `json:"id"`
	At           string          `json:"at"`
	By           string          `json:"by"`
	Name         string          `json:"name"`
	Note         string          `json:"note"`
	Seat         int64           `json:"seat"`         // 0 none
	Loudspeakers []int64         `json:"loudspeakers"` // that played, ascending
	Correction   int64           `json:"correction"`   // of the microphone, applied whenever the take is read; 0 none
	Origin       string          `json:"origin"`       // "measured" or "imported"
	Source       string          `json:"source"`
	Reference    int             `json:"reference"`  // channel
	Microphone   int             `json:"microphone"` // channel
	SampleRateHz float64         `json:"sample_rate_hz"`
	Window       wire.Window     `json:"window"`
	Overlap      float64         `json:"overlap"`
	DelayMs      float64         `json:"delay_ms"` // what the reference was delayed by
	AveragedS    float64         `json:"averaged_s"`
	Gaps         int64           `json:"gaps"`
	TemperatureC float64         `json:"temperature_c"`
	Settings     json.RawMessage `json:"settings"` // as they were
	Results      Results         `json:"results"`
	Points       int             `json:"points"` // of the spectra
	Audio        AudioInfo       `json:"audio"`
	Damaged      string          `json:"damaged,omitempty"` // the file holds something else than what was stored: a sentence
}

// Results are what the analysis said when the take was made.
type Results struct {
	DelaySDMs       wire.Value           `json:"delay_sd_ms"`
	Polarity        wire.PolarityObject  `json:"polarity"`
	Arrivals        []wire.ArrivalObject `json:"arrivals"`
	Levels          *wire.LevelsObject   `json:"levels"`
	ReferenceLevels *wire.LevelsObject   `json:"reference_levels"`
	// Cautions speak against it, the most urgent first.
	Cautions []wire.Caution `json:"cautions"`
	// AssumedAverages: an import did not say how many averages it is worth.
	AssumedAverages bool `json:"assumed_averages,omitempty"`
	// AssumedCoherence, AssumedPhase: it had none, and 1 and 0° stand in the spectra.
	AssumedCoherence bool `json:"assumed_coherence,omitempty"`
	AssumedPhase     bool `json:"assumed_phase,omitempty"`
	// AssumedTemperature: it did not say how warm the air was, and TemperatureC is
	// that of the room when it was imported.
	AssumedTemperature bool `json:"assumed_temperature,omitempty"`
}

// settle writes what is not known as such.
func (r *Results) settle() {
	if r.Arrivals == nil {
		r.Arrivals = []wire.ArrivalObject{}
	}
	if r.Cautions == nil {
		r.Cautions = []wire.Caution{}
	}
	if r.Polarity.Bands == nil {
		r.Polarity.Bands = []wire.BandObject{}
	}
	if r.Polarity.Verdict == "" {
		r.Polarity.Verdict = "undecided"
	}
}

// HideAssumed makes unknown in c, a response of this take, what was only assumed.
func (t *Take) HideAssumed(c *response.Curve) {
	hide := func(columns ...[]float64) {
		for _, x := range columns {
			for i := range x {
				x[i] = math.NaN()
			}
		}
	}
	if t.Results.AssumedCoherence {
		hide(c.MagnitudeLowDB, c.MagnitudeHighDB, c.PhaseErrorDeg, c.Coherence)
	}
	if t.Results.AssumedPhase {
		hide(c.PhaseDeg, c.PhaseErrorDeg)
	}
}

// Origins of a take.
const (
	Measured = "measured"
	Imported = "imported"
)

// AudioInfo describes the audio a take came from.
type AudioInfo struct {
	SampleRateHz int   `json:"sample_rate_hz"` // 0: none was kept
	Channels     []int `json:"channels"`       // of the source
	Frames       int64 `json:"frames"`
}

// Audio is that audio: interleaved float32, exactly as it was captured.
type Audio struct {
	SampleRateHz int
	Channels     []int // of the source, the reference first
	Samples      []float32
}

func (t *Take) check() error {
	if t.Origin != Measured && t.Origin != Imported {
		return refuse(0, "origin", "a take is %q or %q, not %q", Measured, Imported, t.Origin)
	}
	for _, x := range []float64{t.SampleRateHz, t.Overlap, t.DelayMs, t.AveragedS, t.TemperatureC} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return refuse(0, "number", "a take's rate, overlap, delay, averaging time and temperature must be numbers")
		}
	}
	return t.checkLabels()
}

// checkLabels checks what can be changed later.
func (t *Take) checkLabels() error {
	t.Loudspeakers = slices.Compact(slices.Sorted(slices.Values(t.Loudspeakers)))
	if t.Loudspeakers == nil {
		t.Loudspeakers = []int64{}
	}
	if err := wire.CheckLine("name", "the name of a take", t.Name, maxText); err != nil {
		return err
	}
	return checkText("take", t.Note)
}

// AddTake stores a take with its spectra and, if not nil, its audio. When it
// returns they are safe. Rate, window, overlap, delay and averaging time are
// those of the spectra; ID, By and, but for an import that has one, At are set.
func (s *Show) AddTake(t Take, spectra *response.Spectra, audio *Audio, by string) (Take, error) {
	t.By, t.Damaged = by, ""
	if t.Origin != Imported || t.At == "" { // an import keeps its time
		t.At = stamp(s.now().UnixMilli())
	}
	t.SampleRateHz, t.Window, t.Overlap = spectra.SampleRateHz, wire.Window(spectra.Window), spectra.Overlap
	t.DelayMs, t.AveragedS, t.Points = spectra.DelayS*1000, spectra.AveragedS, len(spectra.FrequencyHz)
	if t.Settings == nil {
		t.Settings = json.RawMessage("{}")
	}
	t.Results.settle()
	if err := t.check(); err != nil {
		return t, err
	}
	blob, err := packSpectra(spectra)
	if err != nil {
		return t, err
	}
	t.Audio = AudioInfo{Channels: []int{}}
	if audio != nil {
		if len(audio.Channels) == 0 || audio.SampleRateHz <= 0 || len(audio.Samples)%len(audio.Channels) != 0 {
			return t, refuse(0, "audio", "audio needs a rate, channels and whole frames")
		}
		t.Audio = AudioInfo{audio.SampleRateHz, audio.Channels, int64(len(audio.Samples) / len(audio.Channels))}
	}
	err = s.write(func(tx *sql.Tx) error {
		result, err := tx.Exec(`INSERT INTO takes (at_ms, by, name, note, seat, correction, origin, source, reference, microphone,
			rate_hz, window, overlap, delay_s, averaged_s, gaps, temperature_c, settings, results, spectra,
			audio_rate_hz, audio_channels, audio_frames)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			asTime{&t.At}, t.By, t.Name, t.Note, orNull(t.Seat), orNull(t.Correction), t.Origin, t.Source, t.Reference, t.Microphone,
			t.SampleRateHz, int(t.Window), t.Overlap, spectra.DelayS, t.AveragedS, t.Gaps, t.TemperatureC, string(t.Settings), asJSON{t.Results}, blob,
			t.Audio.SampleRateHz, asJSON{t.Audio.Channels}, t.Audio.Frames)
		if err != nil {
			return s.dangling(err)
		}
		if t.ID, err = result.LastInsertId(); err != nil {
			return err
		}
		if err := s.relate(tx, &t, true); err != nil {
			return err
		}
		if audio != nil {
			if err := packParts(tx, "audio", t.ID, audio.Samples); err != nil {
				return err
			}
		}
		_, err = s.log(tx, by, "add", KindTake, t.ID, "stored take "+t.Name)
		return err
	})
	if err == nil {
		s.settle()
	}
	return t, err
}

// relate stores who played, where that is said, and checks that all a take points to is alive.
func (s *Show) relate(tx *sql.Tx, t *Take, loudspeakers bool) error {
	if loudspeakers {
		if _, err := tx.Exec("DELETE FROM take_loudspeakers WHERE take = ?", t.ID); err != nil {
			return err
		}
		for _, l := range t.Loudspeakers {
			if err := alive(tx, KindLoudspeaker, l); err != nil {
				return err
			}
			if _, err := tx.Exec("INSERT INTO take_loudspeakers VALUES (?, ?)", t.ID, l); err != nil {
				return err
			}
		}
	}
	if t.Seat != 0 {
		if err := alive(tx, KindSeat, t.Seat); err != nil {
			return err
		}
	}
	if t.Correction != 0 {
		return alive(tx, KindCorrection, t.Correction)
	}
	return nil
}

func alive(tx *sql.Tx, kind Kind, id int64) error {
	var n int
	if err := tx.QueryRow("SELECT count(*) FROM "+tables[kind]+" WHERE id = ? AND deleted IS NULL", id).Scan(&n); err != nil {
		return err
	}
	if n == 0 {
		return missing(kind, id)
	}
	return nil
}

// dangling: a foreign key points nowhere.
func (s *Show) dangling(err error) error {
	if strings.Contains(err.Error(), "FOREIGN KEY") {
		return refuse(http.StatusNotFound, "not_found", "the take names a seat or a correction that this show does not have")
	}
	return err
}

// Filter chooses takes; a zero field does not restrict.
type Filter struct {
	ID          int64
	Seat        int64
	Loudspeaker int64
	Deleted     bool // only those that are deleted
}

// Takes lists the takes that pass the filter, the oldest first.
func (s *Show) Takes(f Filter) ([]Take, error) {
	rows, err := s.db.Query(`SELECT id, at_ms, by, name, note, coalesce(seat, 0), coalesce(correction, 0), origin, source, reference, microphone,
			rate_hz, window, overlap, delay_s, averaged_s, gaps, temperature_c, settings, results, (length(spectra) - ?5) / ?6,
			audio_rate_hz, audio_channels, audio_frames,
			(SELECT json_group_array(loudspeaker) FROM (SELECT loudspeaker FROM take_loudspeakers WHERE take = takes.id ORDER BY loudspeaker))
		FROM takes
		WHERE (?1 = 0 OR id = ?1) AND (?2 = 0 OR seat = ?2)
			AND (?3 = 0 OR id IN (SELECT take FROM take_loudspeakers WHERE loudspeaker = ?3))
			AND (deleted IS NOT NULL) = ?4
		ORDER BY id`, f.ID, f.Seat, f.Loudspeaker, f.Deleted, spectraHead, pointSize)
	if err != nil {
		return nil, explain(s.path, err)
	}
	defer rows.Close()
	out := []Take{}
	for rows.Next() {
		var t Take
		var window int
		var settings, results, channels string
		if err := rows.Scan(&t.ID, asTime{&t.At}, &t.By, &t.Name, &t.Note, &t.Seat, &t.Correction, &t.Origin, &t.Source, &t.Reference, &t.Microphone,
			&t.SampleRateHz, &window, &t.Overlap, &t.DelayMs, &t.AveragedS, &t.Gaps, &t.TemperatureC, &settings, &results, &t.Points,
			&t.Audio.SampleRateHz, &channels, &t.Audio.Frames, asJSON{&t.Loudspeakers}); err != nil {
			return nil, explain(s.path, err)
		}
		t.Window = wire.Window(window)
		t.DelayMs *= 1000
		t.read(settings, results, channels)
		out = append(out, t)
	}
	return out, explain(s.path, rows.Err())
}

// read takes over what is stored as JSON. A take in which that is damaged says
// so, and does not keep the others from being read.
func (t *Take) read(settings, results, channels string) {
	err := errors.Join(json.Unmarshal([]byte(settings), &t.Settings), json.Unmarshal([]byte(results), &t.Results), json.Unmarshal([]byte(channels), &t.Audio.Channels))
	if err == nil {
		return
	}
	t.Damaged = fmt.Sprintf("What was noted with take %d is damaged: use another take, or a backup of the show.", t.ID)
	t.Settings, t.Results = json.RawMessage("{}"), Results{DelaySDMs: wire.Unknown(), Polarity: wire.PolarityObject{Confidence: wire.Unknown()}}
	t.Results.settle()
	t.Audio = AudioInfo{Channels: []int{}}
}

// Take reads one that is not deleted.
func (s *Show) Take(id int64) (Take, error) {
	takes, err := s.Takes(Filter{ID: id})
	if err != nil {
		return Take{}, err
	}
	if len(takes) == 0 || id == 0 {
		return Take{}, missing(KindTake, id)
	}
	return takes[0], nil
}

// TakePatch is what can be changed of a take: what it is called and belongs to.
// nil stays.
type TakePatch struct {
	Name         *string `json:"name,omitempty"`
	Note         *string `json:"note,omitempty"`
	Seat         *int64  `json:"seat,omitempty"`
	Loudspeakers []int64 `json:"loudspeakers,omitempty"`
	Correction   *int64  `json:"correction,omitempty"`
}

// ChangeTake changes a take; its measurement stays as it was made.
func (s *Show) ChangeTake(id int64, p TakePatch, by string) (Take, error) {
	t, err := s.Take(id)
	if err != nil {
		return t, err
	}
	// Only what is said is set: what others change meanwhile stays.
	set, values := []string{"id = id"}, []any{}
	say := func(column string, value any) { set, values = append(set, column+" = ?"), append(values, value) }
	if p.Name != nil {
		t.Name = *p.Name
		say("name", t.Name)
	}
	if p.Note != nil {
		t.Note = *p.Note
		say("note", t.Note)
	}
	if p.Seat != nil {
		t.Seat = *p.Seat
		say("seat", orNull(t.Seat))
	}
	if p.Loudspeakers != nil {
		t.Loudspeakers = p.Loudspeakers
	}
	if p.Correction != nil {
		t.Correction = *p.Correction
		say("correction", orNull(t.Correction))
	}
	if err := t.checkLabels(); err != nil {
		return t, err
	}
	err = s.write(func(tx *sql.Tx) error {
		result, err := tx.Exec("UPDATE takes SET "+strings.Join(set, ", ")+" WHERE id = ? AND deleted IS NULL", append(values, id)...)
		if err != nil {
			return s.dangling(err)
		}
		if n, err := result.RowsAffected(); err != nil || n == 0 {
			return orMissing(err, KindTake, id)
		}
		if err := s.relate(tx, &t, p.Loudspeakers != nil); err != nil {
			return err
		}
		_, err = s.log(tx, by, "change", KindTake, id, fmt.Sprintf("changed take %d", id))
		return err
	})
	if err != nil {
		return t, err
	}
	return s.Take(id)
}

// Spectra reads a take's spectra into dst, with its microphone correction
// applied.
func (s *Show) Spectra(id int64, dst *response.Spectra) error {
	var blob []byte
	var points sql.NullString
	err := s.db.QueryRow(`SELECT rate_hz, window, overlap, delay_s, averaged_s, spectra,
			(SELECT points FROM corrections WHERE id = takes.correction)
		FROM takes WHERE id = ?`, id).
		Scan(&dst.SampleRateHz, &dst.Window, &dst.Overlap, &dst.DelayS, &dst.AveragedS, &blob, &points)
	if err == sql.ErrNoRows {
		return missing(KindTake, id)
	}
	if err == nil {
		err = unpackSpectra(dst, blob)
	}
	if isDamage(err) {
		return damaged(s.path, "the spectra of take %d are damaged: use another take", id)
	}
	if err != nil {
		return explain(s.path, err)
	}
	if points.Valid {
		var c Correction
		if err := json.Unmarshal([]byte(points.String), &c.Points); err != nil {
			return explain(s.path, err)
		}
		c.Apply(dst)
	}
	return nil
}

// TakeAudio reads the audio a take came from; nil if none was kept.
func (s *Show) TakeAudio(id int64) (*Audio, error) {
	t, err := s.Take(id)
	if err != nil || t.Audio.SampleRateHz == 0 {
		return nil, err
	}
	a := &Audio{SampleRateHz: t.Audio.SampleRateHz, Channels: t.Audio.Channels}
	a.Samples, err = s.readParts("audio", "take", id, t.Audio.Frames*int64(len(a.Channels)))
	if isDamage(err) {
		return nil, damaged(s.path, "the audio of take %d is damaged: use its spectra, or another take", id)
	}
	if err != nil {
		return nil, explain(s.path, err)
	}
	return a, nil
}

func orNull(id int64) any {
	if id == 0 {
		return nil
	}
	return id
}
