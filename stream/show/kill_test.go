package show

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"plumbline/analyze/response"
	"plumbline/capture/leak"
)

// childEnv names the show a child process stores takes in.
const childEnv = "PLUMBLINE_TEST_SHOW"

// TestMain is also the child of TestKilledWhileStoring.
func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		child(os.Getenv(partEnv), path)
		return
	}
	leak.Strict(m)
}

// partEnv says what the child does with it.
const partEnv = "PLUMBLINE_TEST_PART"

func child(part, path string) {
	switch part {
	case "":
		storeTakes(path)
	case "open": // says whether it could
		s, err := Open(path)
		fmt.Println(err)
		if err == nil {
			s.Close()
		}
	case "lose the log": // acknowledges two seats and ends as if it were killed
		s, err := Open(path)
		for _, name := range []string{"row 1", "row 2"} {
			if err == nil {
				err = os.Remove(path + "-wal")
			}
			if err == nil {
				_, err = s.PutSeat(Seat{Name: name}, "child")
			}
		}
		fmt.Println(err)
		os.Exit(1)
	case "replaced": // acknowledges a seat, has its file replaced, and ends as if it were killed
		s, err := Open(path)
		if err == nil {
			_, err = s.PutSeat(Seat{Name: "row 1"}, "child")
		}
		if err == nil {
			err = os.Rename(filepath.Join(filepath.Dir(path), "other.plumbline"), path)
		}
		if err == nil {
			_, err = s.PutSeat(Seat{Name: "row 2"}, "child")
		}
		fmt.Println(err)
		os.Exit(1)
	}
}

const killFrames = 40000 // 320 kB of audio a take

// storeTakes stores takes for ever and prints the number of each one stored.
func storeTakes(path string) {
	s, err := Open(path)
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	for {
		takes, err := s.Takes(Filter{})
		if err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		seed := int64(len(takes)) + 1
		t, err := s.AddTake(Take{Name: fmt.Sprint(seed), Origin: Measured}, spectraOf(seed), audioOf(seed, killFrames), "child")
		if err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println("stored", t.ID, seed)
	}
}

// A daemon killed at any moment: every take it acknowledged is there and opens,
// and the next daemon gets the file.
func TestKilledWhileStoring(t *testing.T) {
	kills := 25
	if os.Getenv("PLUMBLINE_TRUTH") != "" {
		kills = 500
	}
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(1, 2))
	acknowledged, unacknowledged := 0, 0
	var path string
	seeds := map[int64]int64{}   // by take
	verified := map[int64]bool{} // takes that were read through since the last look at all
	for i := range kills {
		if i%25 == 0 { // a new show now and then, so that it stays small
			path = filepath.Join(dir, fmt.Sprintf("%d.plumbline", i))
			s, err := New(path, "kill")
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			clear(seeds)
			clear(verified)
		}
		// Every other one at any moment of its life, the rest while it stores.
		for id, seed := range killOnce(t, path, i%2 == 0, time.Duration(random.IntN(60000))*time.Microsecond) {
			seeds[id] = seed
			acknowledged++
		}

		s, err := Open(path)
		if err != nil {
			t.Fatalf("kill %d: %v", i, err)
		}
		takes, err := s.Takes(Filter{})
		if err != nil {
			t.Fatal(err)
		}
		if i%25 == 24 || i == kills-1 {
			clear(verified)
		}
		there := map[int64]bool{}
		for _, take := range takes {
			there[take.ID] = true
			seed, ok := seeds[take.ID]
			if !ok { // stored, but killed before it said so: whole all the same
				fmt.Sscan(take.Name, &seed)
				seeds[take.ID] = seed
				unacknowledged++
			}
			if verified[take.ID] {
				continue
			}
			verified[take.ID] = true
			var spectra response.Spectra
			if err := s.Spectra(take.ID, &spectra); err != nil || !reflect.DeepEqual(&spectra, spectraOf(seed)) {
				t.Errorf("kill %d: the spectra of take %d: %v", i, take.ID, err)
			}
			audio, err := s.TakeAudio(take.ID)
			if err != nil || !reflect.DeepEqual(audio, audioOf(seed, killFrames)) {
				t.Errorf("kill %d: the audio of take %d: %v", i, take.ID, err)
			}
		}
		for id := range seeds {
			if !there[id] {
				t.Errorf("kill %d: take %d was acknowledged and is gone", i, id)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if acknowledged < kills/2 {
		t.Errorf("only %d takes were stored in %d kills: the kills come too early to prove anything", acknowledged, kills)
	}
	t.Logf("%d kills, %d takes acknowledged and all there, %d more stored whole", kills, acknowledged, unacknowledged)
}

// killOnce starts a child, kills it some time after its start or after its
// first take, and returns what it acknowledged.
func killOnce(t *testing.T, path string, fromStart bool, after time.Duration) map[int64]int64 {
	t.Helper()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childEnv+"="+path)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	stored := map[int64]int64{}
	var timer *time.Timer
	kill := func() { child.Process.Kill() }
	if fromStart {
		timer = time.AfterFunc(2*after, kill)
	}
	for lines := bufio.NewScanner(out); lines.Scan(); {
		var id, seed int64
		if _, err := fmt.Sscanf(lines.Text(), "stored %d %d", &id, &seed); err != nil {
			t.Fatalf("the child says %q", lines.Text())
		}
		stored[id] = seed
		if timer == nil {
			timer = time.AfterFunc(after, kill)
		}
	}
	child.Wait() // killed: an error by design
	return stored
}
