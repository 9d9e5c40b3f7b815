// Package arrival finds when the sound of the reference reaches a microphone:
// up to five arrivals, each with time, level, sign and standard deviation.
//
// Finder looks at a whole recording, Follower at what is heard now. Both work in
// two stages:
//
//	reference ─┬─► long blocks ─► weighted correlation over the range ─► peaks ─► arrivals
//	microphone ┴─► short windows, laid to the strongest ─► slope of the phase ─► its delay
//
// The long blocks miss no sample and no delay in range; the correlation is the
// generalised one of Knapp and Carter (IEEE Trans. ASSP-24, 1976) with weights
// from averaged coherence, and arrivals are taken out of it one after the other.
// The short windows give the strongest arrival the precision that the data allow,
// the Cramér–Rao bound, and tell how far it is known. What does not stand out of
// the noise, or not in most of the time, is not told: there is a reason instead.
//
// How the loudspeaker of an arrival is wired is told by package polarity, from the
// impulse response gated around the arrival alone; Agree makes that and the verdict on
// all that is heard one.
//
// Times are in milliseconds at the interface and in samples inside. Nothing here
// allocates after construction or may be used by two goroutines at once.
package arrival
