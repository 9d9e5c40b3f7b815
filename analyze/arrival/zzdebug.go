package arrival

func (f *Follower) turn(where string) {
	f.changes++
	if debug {
		println("TURN", where, "clock", int(f.clock/480), "delay", int(100*f.arrival.DelayMs), "settled", int(1000*f.SettledS()))
	}
}
