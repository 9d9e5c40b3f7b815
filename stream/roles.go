package stream

import (
	"net/http"

	"plumbline/stream/access"
)

// viewing are the requests that a viewer may make; every other one needs an operator.
// They read, and change nothing. What was recorded in the room, and whole shows, which
// hold that too, are for operators.
var viewing = map[string]bool{
	"GET /":                              true, // the pages and their files
	"GET /metrics":                       true,
	"GET /api/v1/live":                   true,
	"GET /api/v1/state":                  true,
	"GET /api/v1/frame":                  true,
	"GET /api/v1/verdict":                true,
	"GET /api/v1/rig":                    true,
	"GET /api/v1/health":                 true,
	"GET /api/v1/openapi.yaml":           true,
	"GET /api/v1/setup":                  true,
	"GET /api/v1/shows":                  true,
	"GET /api/v1/show":                   true,
	"GET /api/v1/show/log":               true,
	"GET /api/v1/show/report":            true,
	"GET /api/v1/show/loudspeakers":      true,
	"GET /api/v1/show/seats":             true,
	"GET /api/v1/show/plans":             true,
	"GET /api/v1/show/notes":             true,
	"GET /api/v1/show/corrections":       true,
	"GET /api/v1/show/targets":           true,
	"GET /api/v1/show/takes":             true,
	"GET /api/v1/show/takes/{id}":        true,
	"GET /api/v1/show/takes/{id}/curve":  true,
	"GET /api/v1/show/traces":            true,
	"GET /api/v1/show/traces/{id}/curve": true,
	"GET /api/v1/survey":                 true,
	"GET /api/v1/survey/trace":           true,
	"GET /api/v1/align":                  true,
	"GET /api/v1/levels":                 true,
	"GET /api/v1/levels/history":         true,
	"GET /api/v1/levels/log.csv":         true,
	"GET /api/v1/limits":                 true,
	"GET /api/v1/calibration":            true,
	"GET /api/v1/dashboard.json":         true,
	"GET /api/v1/watch":                  true,
	"GET /api/v1/events":                 true,
}

// needs is the role that a route needs.
func needs(r route) access.Role {
	if viewing[r.method+" "+r.path] {
		return access.Viewer
	}
	return access.Operator
}

// mayUse refuses who may not use a route.
func mayUse(r *http.Request, to route) error {
	if whoAsks(r).Role.May(needs(to)) {
		return nil
	}
	return &Error{Code: "operator", Text: "this needs an operator, and your token is a viewer's: ask who runs plumbline for another one", Status: http.StatusForbidden}
}
