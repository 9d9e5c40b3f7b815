package levels

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"plumbline/analyze/exposure"
	"plumbline/stream/wire"
)

// ownKey is the setting of a show that has the limits somebody entered.
const ownKey = "own limits"

// ownSource stands where published limits name theirs.
const ownSource = "entered by hand"

// mostOwn are the limits that a show has beside the published ones.
const mostOwn = 50

// profileOf is what was entered, as a limit over any such time.
func profileOf(r wire.LimitRequest) exposure.Profile {
	return exposure.Profile{
		ID: fmt.Sprintf("own-%s-%g-%g", strings.ToLower(r.Quantity[:2]), r.LimitDB, r.OverS), Name: r.Name, Source: ownSource,
		Quantity: exposure.Quantity(r.Quantity), LimitDB: r.LimitDB, OverS: r.OverS, Sliding: true,
	}
}

// profiles are all that can be followed, the published ones first; mu is held.
func (l *Levels) profiles() []exposure.Profile {
	all := slices.Clone(exposure.Profiles)
	for _, r := range l.own {
		all = append(all, profileOf(r))
	}
	return all
}

// lookup finds a limit by its ID; mu is held.
func (l *Levels) lookup(id string) (exposure.Profile, bool) {
	if p, ok := exposure.Lookup(id); ok {
		return p, true
	}
	for _, r := range l.own {
		if p := profileOf(r); p.ID == id {
			return p, true
		}
	}
	return exposure.Profile{}, false
}

// AddLimit implements stream.LevelOperator.
func (l *Levels) AddLimit(_ context.Context, r wire.LimitRequest, by string) (wire.Limits, error) {
	if err := r.Settle(); err != nil {
		return wire.Limits{}, err
	}
	p := profileOf(r)
	l.choosing.Lock()
	defer l.choosing.Unlock()
	l.mu.Lock()
	next := append(slices.Clone(l.own), r)
	err := admitted(l.profiles(), p)
	l.mu.Unlock()
	if err == nil && len(next) > mostOwn {
		err = &wire.Error{Code: "full", Text: fmt.Sprintf("a show has at most %d limits of its own: delete one", mostOwn), Status: http.StatusConflict}
	}
	if err == nil {
		err = l.keepOwn(next, fmt.Sprintf("a limit was entered: %s, %s %g dB over %s", p.Name, p.Quantity, p.LimitDB, durationWords(p.OverS)), by)
	}
	if err != nil {
		return wire.Limits{}, err
	}
	return l.changeLimits(wire.LimitsPatch{Profile: &p.ID}, by)
}

// admitted refuses a second limit of a name, and one that is there already.
func admitted(all []exposure.Profile, p exposure.Profile) error {
	for _, x := range all {
		switch {
		case x.ID == p.ID:
			return &wire.Error{Code: "exists", Text: fmt.Sprintf("this limit is there already, as %q: choose it", x.Name), Status: http.StatusConflict}
		case strings.EqualFold(x.Name, p.Name):
			return &wire.Error{Code: "exists", Text: fmt.Sprintf("there is already a limit called %q: give this one another name", x.Name), Status: http.StatusConflict}
		}
	}
	return nil
}

// DeleteLimit implements stream.LevelOperator.
func (l *Levels) DeleteLimit(_ context.Context, id, by string) (wire.Limits, error) {
	l.choosing.Lock()
	defer l.choosing.Unlock()
	l.mu.Lock()
	i := slices.IndexFunc(l.own, func(r wire.LimitRequest) bool { return profileOf(r).ID == id })
	next, followed := slices.Clone(l.own), l.limit.Profile == id
	l.mu.Unlock()
	if i < 0 {
		if _, published := exposure.Lookup(id); published {
			return wire.Limits{}, &wire.Error{Code: "published", Text: "a published limit stays: only those entered here can be deleted", Status: http.StatusConflict}
		}
		return wire.Limits{}, &wire.Error{Code: "not_found", Text: fmt.Sprintf("there is no limit called %q: see GET /api/v1/limits", id), Status: http.StatusNotFound}
	}
	name := next[i].Name
	if followed {
		none := ""
		if _, err := l.changeLimits(wire.LimitsPatch{Profile: &none}, by); err != nil {
			return wire.Limits{}, err
		}
	}
	if err := l.keepOwn(slices.Delete(next, i, i+1), fmt.Sprintf("the limit %s was deleted", name), by); err != nil {
		return wire.Limits{}, err
	}
	return l.Limits(), nil
}

// keepOwn puts the list into the open show, and then in force.
func (l *Levels) keepOwn(next []wire.LimitRequest, text, by string) error {
	if x, ok := l.show(); ok {
		if err := x.PutSetting(ownKey, next, text, by); err != nil {
			return err
		}
	}
	l.mu.Lock()
	l.own = next
	l.mu.Unlock()
	return nil
}

// readable are the limits of a show that can be followed: it may come from anywhere.
func readable(list []wire.LimitRequest) (out []wire.LimitRequest) {
	all := slices.Clone(exposure.Profiles)
	for _, r := range list {
		if r.Settle() != nil || len(out) == mostOwn {
			continue
		}
		if p := profileOf(r); admitted(all, p) == nil {
			out, all = append(out, r), append(all, p)
		}
	}
	return out
}
