package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"plumbline/stream/verdict"
)

// Letters that a name, and a note in a table, has on paper. Three seats with the longest
// names that a show takes are two sheets with that.
const (
	nameMost = 22
	noteMost = 36
	noteRoom = 400 // of all notes, beside the rest
)

// names are those that are too long for tables, plots and sentences.
type names struct {
	Keys     []nameKey
	replacer *strings.Replacer
}

// nameKey is a name as it stands on the page, and in full.
type nameKey struct{ Short, Full string }

// shorten cuts the long ones among all names, in the middle: what tells names apart is
// often at their ends. No two become one, and none becomes another's whole name.
func shorten(all []string) names {
	var n names
	taken := map[string]bool{}
	for _, name := range all {
		taken[name] = true
	}
	var pairs []string
	// In a sentence the longest that fits is meant.
	for _, name := range slices.Compact(slices.SortedFunc(slices.Values(all), func(a, b string) int { return cmp.Or(cmp.Compare(len(b), len(a)), cmp.Compare(a, b)) })) {
		if utf8.RuneCountInString(name) <= nameMost {
			continue
		}
		short := middle(name, "…", nameMost)
		for i := 2; taken[short]; i++ {
			short = middle(name, fmt.Sprintf("…%d…", i), nameMost)
		}
		taken[short] = true
		n.Keys = append(n.Keys, nameKey{short, name})
		pairs = append(pairs, name, short, verdict.Capital(name), verdict.Capital(short))
	}
	n.replacer = strings.NewReplacer(pairs...)
	slices.SortFunc(n.Keys, func(a, b nameKey) int { return cmp.Compare(a.Short, b.Short) })
	return n
}

// middle puts a gap in the place of what is too much.
func middle(name, gap string, most int) string {
	r := []rune(name)
	rest := most - utf8.RuneCountInString(gap)
	front := (rest + 1) / 2
	return strings.TrimRight(string(r[:front]), " ") + gap + strings.TrimLeft(string(r[len(r)-(rest-front):]), " ")
}

// Brief is a text with its long names cut.
func (n names) Brief(text string) string { return n.replacer.Replace(text) }

// allNames are those of what the report speaks of, as they are and as they were when a plan
// was kept.
func (d Data) allNames() []string {
	var all []string
	for _, l := range d.Loudspeakers {
		all = append(all, l.Name)
	}
	for _, s := range d.Seats {
		all = append(all, s.Name)
	}
	for _, p := range d.Pairs {
		all = append(all, p.Align.Main, p.Align.Fill)
		for _, s := range p.Align.Seats {
			all = append(all, s.Name)
		}
		if p.Plan != nil {
			for _, v := range p.Plan.Verified {
				all = append(all, v.SeatName)
			}
		}
	}
	return all
}

// longNote is a note that has no room in its table.
type longNote struct{ Of, Text string }

// note is as much of one as a table has room for.
func note(text string) string {
	r := []rune(strings.Join(strings.Fields(text), " "))
	if len(r) <= noteMost {
		return string(r)
	}
	return strings.TrimRight(string(r[:noteMost-1]), " ") + "…"
}

// longNotes are the notes that tables cut, and those of the show if they would fill the sheet.
func (d Data) longNotes() []longNote {
	var long []longNote
	add := func(of, text string) {
		if note(text) != text {
			long = append(long, longNote{of, text})
		}
	}
	for _, s := range d.Seats {
		add(s.Name, s.Note)
	}
	for _, t := range d.Takes {
		add(fmt.Sprintf("Take %d", t.ID), t.Note)
	}
	for _, t := range d.Traces {
		add(fmt.Sprintf("Trace %d", t.Number), t.Note)
	}
	return long
}

// manyNotes says that the notes of the show have a sheet of their own.
func (d Data) manyNotes() bool {
	letters := 0
	for _, n := range d.Notes {
		letters += len(n.Text) + 80 // for the line it begins
	}
	return letters > noteRoom
}
