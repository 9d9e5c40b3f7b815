package main

import (
	"errors"
	"fmt"

	"plumbline/analyze/setting"
)

// flagOf are the flags that settings have here, where those are called otherwise.
var flagOf = map[string]string{
	"reference": "--ref", "microphones": "--mic", "temperature_c": "--temperature", "sample_rate_hz": "--rate", "spread_m": "--spread", "correction_db": "--correction",
	"until.within_db": "--until",
}

// flagged names the flag in place of the setting that was refused.
func flagged(err error) error {
	var e *setting.Error
	if !errors.As(err, &e) || flagOf[e.Field] == "" {
		return err
	}
	return fmt.Errorf("%s wants %s, not %s", flagOf[e.Field], e.Want, e.Value)
}

// misused is flagged for what is wrong whatever the source.
func misused(err error) error {
	if err == nil {
		return nil
	}
	return usageError{flagged(err)}
}
