package caution

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// AlikeBand is where a reference cannot be told from the others.
type AlikeBand struct {
	LowHz, HighHz   float64
	ToBottom, ToTop bool // it begins, and ends, where the measurement does
}

// AsOne says that reference p of those on these channels cannot be told from the others in
// the bands: part of its power, 0…1, they have too.
func AsOne(p int, references []Input, part float64, bands []AlikeBand) Caution {
	var others []string
	for i, r := range references {
		if i != p {
			others = append(others, strconv.Itoa(r.Number))
		}
	}
	own := strconv.Itoa(references[p].Number)
	c := Caution{Code: Alike, Next: "Pan them apart for ten seconds or play the test signal."}
	same, them := fmt.Sprintf("%.0f %% alike", 100*part), "them"
	if math.Round(1000*part) >= 995 {
		same = "the same"
	}
	if len(references) == 2 {
		first, second := references[0].Number, references[1].Number
		c.Subject = fmt.Sprintf("References %d and %d", min(first, second), max(first, second))
		c.Finding = " are " + same
	} else {
		c.Subject, them = "Reference "+own, "it"
		c.Finding = fmt.Sprintf(" is %s to what %s play together", same, joined(others))
		if same == "the same" {
			c.Finding = fmt.Sprintf(" is the same as what %s play together", joined(others))
		}
	}
	there := " there"
	if len(bands) == 1 && bands[0].ToBottom && bands[0].ToTop {
		there = ""
	} else {
		var list []string
		for _, b := range bands {
			list = append(list, b.text())
		}
		c.Finding += " " + joined(list)
	}
	c.Finding += ": nothing can tell " + them + " apart" + there + ". "
	return c
}

// NotHeard says that a microphone does not hear the sound of a reference beside that of
// the others, and why that is thought.
func NotHeard(reference, microphone Input, reason string) Caution {
	return Caution{Code: NoDelay, Subject: fmt.Sprintf("Reference %d", reference.Number),
		Finding: fmt.Sprintf(" is not heard by the microphone %s: %s. ", microphone.Where(), reason),
		Next:    "Is its loudspeaker on? Play it louder or longer, or set the delay by hand."}
}

func (b AlikeBand) text() string {
	switch {
	case b.ToBottom:
		return "below " + hertz(b.HighHz)
	case b.ToTop:
		return "above " + hertz(b.LowHz)
	}
	return "from " + hertz(b.LowHz) + " to " + hertz(b.HighHz)
}

// hertz has two digits, which is as well as such an edge is known.
func hertz(f float64) string {
	unit := math.Pow10(int(math.Floor(math.Log10(f))) - 1)
	if f = math.Round(f/unit) * unit; f >= 1000 {
		return strconv.FormatFloat(math.Round(f)/1000, 'f', -1, 64) + " kHz"
	}
	return strconv.FormatFloat(math.Round(f), 'f', -1, 64) + " Hz"
}

// joined is "1, 2 and 4".
func joined(list []string) string {
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}
