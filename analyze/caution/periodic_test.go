package caution

import "testing"

// One wording for page and command line, with the next step.
func TestWordsForProgrammeThatRepeatsItself(t *testing.T) {
	for want, c := range map[string]Caution{
		"The reference on channel 1 repeats itself every 341.3 ms: the delay is known within one period, and may be whole periods longer. Where the path may be that long, play noise that repeats less often.": Repeats(At(1), 341.33, true),
		"The reference on channel 3 repeats itself every 21.3 ms, too often for a delay to be told. Play noise that does not repeat itself, or not within 1.5 s.":                                               Repeats(At(3), 21.33, false),
	} {
		if c.Text() != want || c.Code != Periodic || c.Next == "" {
			t.Errorf("%s: %s, want %s", c.Code, c.Text(), want)
		}
	}
}
