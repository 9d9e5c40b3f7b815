package stream

import (
	"context"
	"net/http"
	"net/url"
	"strconv"

	"plumbline/stream/wire"
)

// SurveyOperator measures with the daemon's own test signal and stores takes.
// The rules are those of Operator.
type SurveyOperator interface {
	// Survey is what it is doing.
	Survey() wire.Survey
	// Trace is what the step that is being measured has shown so far.
	Trace() wire.SurveyTrace
	// StartSurvey begins; sound is on only while the client called by is there.
	StartSurvey(ctx context.Context, r wire.SurveyRequest, by string) (wire.Survey, error)
	// AnswerSurvey tells one that asks at which seat to store.
	AnswerSurvey(ctx context.Context, a wire.SurveyAnswer, by string) (wire.Survey, error)
	// StopSurvey ends whatever sounds; without a survey it does nothing.
	StopSurvey(ctx context.Context, by string) (wire.Survey, error)
}

// AlignOperator turns stored takes into ledger and plan.
type AlignOperator interface {
	Align(ctx context.Context, q wire.AlignQuery) (wire.Align, error)
	StorePlan(ctx context.Context, r wire.PlanRequest, by string) (wire.StoredPlan, error)
	// DialPlan sets a virtual rig to a plan; by hand it notes that somebody has set
	// the processor to it.
	DialPlan(ctx context.Context, r wire.DialRequest, by string) (wire.StoredPlan, error)
	// VerifyPlan begins to measure both, as StartSurvey does; by hand it has
	// ended when it returns.
	VerifyPlan(ctx context.Context, r wire.VerifyRequest, by string) (wire.Survey, error)
}

// SurveyChanged tells all clients, under the rule of StateChanged.
func (s *Server) SurveyChanged(v wire.Survey) {
	data := encode(wire.SurveyMessage{Type: wire.TypeSurvey, Survey: v})
	s.pin(func(b *board) {
		if b.survey == nil || v.Revision == 0 || v.Revision >= b.survey.survey.Revision {
			b.survey = &surveyDoc{v, data}
		}
	})
}

type surveyDoc struct {
	survey wire.Survey
	data   []byte
}

var (
	errNoSurvey = &Error{Code: "no_survey", Text: "this daemon has no show to keep takes in: start it with --show FILE", Status: http.StatusNotFound}
	errNoAlign  = &Error{Code: "no_align", Text: errNoSurvey.Text, Status: http.StatusNotFound}
)

func (s *Server) surveyRoutes() []route {
	return []route{
		{"GET", "/api/v1/survey", s.survey, 0},
		{"POST", "/api/v1/survey", s.startSurvey, 0},
		{"GET", "/api/v1/survey/trace", s.surveyTrace, 0},
		{"POST", "/api/v1/survey/answer", s.answerSurvey, 0},
		{"POST", "/api/v1/survey/stop", s.stopSurvey, 0},
		{"GET", "/api/v1/align", s.align, 0},
		{"POST", "/api/v1/align/plan", s.storePlan, 0},
		{"POST", "/api/v1/align/dial", s.dialPlan, 0},
		{"POST", "/api/v1/align/verify", s.verifyPlan, 0},
	}
}

// request is a body that fills in what was left out and checks itself.
type request interface{ Settle() error }

// command reads a body, checks it and names who asks.
func command(r *http.Request, body request) (by string, err error) {
	if err := readJSON(r, body); err != nil {
		return "", err
	}
	if err := body.Settle(); err != nil {
		return "", err
	}
	return changedBy(r)
}

func (s *Server) survey(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Survey == nil {
		return errNoSurvey
	}
	return reply(w, s.cfg.Survey.Survey())
}

func (s *Server) surveyTrace(w http.ResponseWriter, _ *http.Request) error {
	if s.cfg.Survey == nil {
		return errNoSurvey
	}
	return reply(w, s.cfg.Survey.Trace())
}

func (s *Server) startSurvey(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Survey == nil {
		return errNoSurvey
	}
	var body wire.SurveyRequest
	by, err := command(r, &body)
	if err != nil {
		return err
	}
	return replyWith(w)(s.cfg.Survey.StartSurvey(r.Context(), body, by))
}

func (s *Server) answerSurvey(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Survey == nil {
		return errNoSurvey
	}
	var body wire.SurveyAnswer
	by, err := command(r, &body)
	if err != nil {
		return err
	}
	return replyWith(w)(s.cfg.Survey.AnswerSurvey(r.Context(), body, by))
}

func (s *Server) stopSurvey(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Survey == nil {
		return errNoSurvey
	}
	by, err := changedBy(r)
	if err != nil {
		return err
	}
	return replyWith(w)(s.cfg.Survey.StopSurvey(r.Context(), by))
}

func (s *Server) align(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Align == nil {
		return errNoAlign
	}
	q, err := alignQuery(r.URL.Query())
	if err != nil {
		return err
	}
	return replyWith(w)(s.cfg.Align.Align(r.Context(), q))
}

func alignQuery(v url.Values) (q wire.AlignQuery, err error) {
	number := func(key, unit string, to *float64) {
		text := v.Get(key)
		if text == "" {
			return
		}
		x, e := strconv.ParseFloat(text, 64)
		if e != nil && err == nil {
			err = &Error{Code: "query", Text: key + " must be a number of " + unit + ", not " + strconv.Quote(text), Status: http.StatusBadRequest}
		}
		*to = x
	}
	for key := range v {
		switch key {
		case "main", "fill", "low_hz", "high_hz", "aim", "gain", "spread_m":
		default:
			return q, &Error{Code: "query", Text: "there is no " + strconv.Quote(key) + " to ask for: give main, fill, low_hz, high_hz, aim, gain and spread_m", Status: http.StatusBadRequest}
		}
	}
	q = wire.AlignQuery{Main: v.Get("main"), Fill: v.Get("fill"), Aim: v.Get("aim"), Gain: v.Get("gain") == "1" || v.Get("gain") == "true"}
	number("low_hz", "hertz", &q.LowHz)
	number("high_hz", "hertz", &q.HighHz)
	if v.Get("spread_m") != "" {
		q.SpreadM = new(float64)
		number("spread_m", "metres", q.SpreadM)
	}
	if err != nil {
		return q, err
	}
	return q, q.Settle()
}

func (s *Server) storePlan(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Align == nil {
		return errNoAlign
	}
	var body wire.PlanRequest
	by, err := command(r, &body)
	if err != nil {
		return err
	}
	return replyWith(w)(s.cfg.Align.StorePlan(r.Context(), body, by))
}

func (s *Server) dialPlan(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Align == nil {
		return errNoAlign
	}
	var body wire.DialRequest
	by, err := command(r, &body)
	if err != nil {
		return err
	}
	return replyWith(w)(s.cfg.Align.DialPlan(r.Context(), body, by))
}

func (s *Server) verifyPlan(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Align == nil {
		return errNoAlign
	}
	var body wire.VerifyRequest
	by, err := command(r, &body)
	if err != nil {
		return err
	}
	return replyWith(w)(s.cfg.Align.VerifyPlan(r.Context(), body, by))
}
