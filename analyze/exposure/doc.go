// Package exposure follows a level against published limits of sound exposure:
// where it stands, what is left of the budget, and when the limit will be
// crossed at this pace.
//
// It is information only. Local codes and licensed practice decide; a limit
// holds where the sound is loudest for people, and the microphone mostly is
// elsewhere: a correction can be entered and is always part of what is shown.
package exposure
