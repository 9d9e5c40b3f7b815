package caution

import "fmt"

// Repeats says that the reference repeats itself every periodMs, and what that
// leaves of the delay: told is whether one could be found within a period.
func Repeats(reference Input, periodMs float64, told bool) Caution {
	c := Caution{Code: Periodic, Subject: "The reference " + reference.Where()}
	if told {
		c.Finding = fmt.Sprintf(" repeats itself every %.1f ms: the delay is known within one period, and may be whole periods longer. ", periodMs)
		c.Next = "Where the path may be that long, play noise that repeats less often."
		return c
	}
	c.Finding = fmt.Sprintf(" repeats itself every %.1f ms, too often for a delay to be told. ", periodMs)
	c.Next = "Play noise that does not repeat itself, or not within 1.5 s."
	return c
}
