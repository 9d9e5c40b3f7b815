package watching
import ("testing";"fmt";"os";"plumbline/analyze/watch")
func TestDbg(t *testing.T){
 var seed uint64; fmt.Sscan(os.Getenv("SEED"),&seed)
 watch.Debug = func(c watch.Change, s, e float64, cr, m []float64) { fmt.Printf("%s %q %.2f dB %.2f ms %.0f %.0f: score %.1f expl %.2f\n   m", c.Kind,c.What,c.ChangeDB,c.ShiftMs,c.LowHz,c.HighHz,s,e); for _, x:=range m {fmt.Printf(" %.2f",x)}; fmt.Printf("\n   c"); for _, x:=range cr {fmt.Printf(" %.2f",x)}; fmt.Println() }
 defer func() { watch.Debug=nil }()
 draw := fault
 if os.Getenv("KIND")=="harmless" { draw=harmless }
 o := try(seed, draw, 12, os.Getenv("ALONE")=="", os.Getenv("COMBO")!="")
 fmt.Println(o.prelude, o.name, o.events, o.after)
}
