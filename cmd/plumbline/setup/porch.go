package setup

import (
	"net"
	"sync"
)

// porch accepts connections for one server after the other. Those that come while there
// is none wait.
type porch struct {
	l     net.Listener
	conns chan net.Conn
	ended chan struct{} // closed when nothing is accepted any more
	err   error         // why; set before
	shut  chan struct{}
}

func newPorch(l net.Listener) *porch {
	p := &porch{l: l, conns: make(chan net.Conn), ended: make(chan struct{}), shut: make(chan struct{})}
	go p.accept()
	return p
}

func (p *porch) accept() {
	defer close(p.ended)
	for {
		c, err := p.l.Accept()
		if err != nil {
			p.err = err
			return
		}
		select {
		case p.conns <- c:
		case <-p.shut:
			c.Close()
		}
	}
}

// close closes the listener, and returns when nothing is accepted any more.
func (p *porch) close() {
	close(p.shut)
	p.l.Close()
	<-p.ended
}

// door is a listener for one server: closing it leaves the porch open.
func (p *porch) door() net.Listener { return &door{porch: p, closed: make(chan struct{})} }

type door struct {
	*porch
	once   sync.Once
	closed chan struct{}
}

func (d *door) Accept() (net.Conn, error) {
	select {
	case <-d.closed: // first: what waits is for the next server
		return nil, net.ErrClosed
	default:
	}
	select {
	case c := <-d.conns:
		return c, nil
	case <-d.closed:
		return nil, net.ErrClosed
	case <-d.ended:
		return nil, d.err
	}
}

func (d *door) Close() error {
	d.once.Do(func() { close(d.closed) })
	return nil
}

func (d *door) Addr() net.Addr { return d.l.Addr() }
