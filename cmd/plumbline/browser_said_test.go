package main

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"plumbline/stream/verdict"
)

// TestPagesSayItShortly goes through what Align, Walk, Show and Set up say, in every case: the
// rest of the sentences is the daemon's, and in the golden files of stream/verdict,
// cmd/plumbline/watching and cmd/plumbline/survey.
func TestPagesSayItShortly(t *testing.T) {
	p := openTab(t, demo(t).url+"/setup", laptop, ".page")
	cases, err := os.ReadFile("testdata/said.js")
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	for _, said := range js[[]struct{ Page, What, Mark, Certainty, Headline, Text string }](p, string(cases)) {
		fmt.Fprintf(&out, "%s, %s\n  %s\n  %s\n", said.Page, said.What, strings.TrimSpace(said.Mark+" "+said.Certainty), said.Headline)
		if said.Text != "" && said.Text != said.Headline {
			fmt.Fprintf(&out, "    %s\n", said.Text)
		}
		if n := utf8.RuneCountInString(said.Headline); n == 0 || n > verdict.HeadlineMax {
			t.Errorf("%s, %s: the headline has %d characters: %s", said.Page, said.What, n, said.Headline)
		}
	}
	golden(t, "sentences_pages.txt", out.String())
}
