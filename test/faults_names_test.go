package test_test

import (
	"context"
	"errors"
	"net"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/dns/dnsmessage"
)

// hospitalName is the name that the write-back knows the hospital by; that of
// nobody (RFC 2606 section 2).
const hospitalName = "hospital.brindlemoor.example"

// names is a name server on the loopback that knows one name, and may forget it.
type names struct {
	conn net.PacketConn
	gone atomic.Bool
	// asked counts the questions that were not answered with an address.
	unanswered atomic.Int64
}

// newNames starts one.
func newNames(t testing.TB) *names {
	t.Helper()
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	n := &names{conn: conn}
	served := make(chan struct{})
	go func() { defer close(served); n.serve(t) }()
	t.Cleanup(func() { conn.Close(); <-served })
	return n
}

// serve answers until the socket is closed: with the loopback address, and once
// the name is gone in turns with NXDOMAIN and not at all.
func (n *names) serve(t testing.TB) {
	packet := make([]byte, 1500)
	for {
		size, from, err := n.conn.ReadFrom(packet)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		var question dnsmessage.Message
		if err != nil || question.Unpack(packet[:size]) != nil || len(question.Questions) != 1 {
			t.Errorf("a question that is none: %v", err)
			return
		}
		answer := dnsmessage.Message{Header: dnsmessage.Header{ID: question.ID, Response: true, RecursionAvailable: true}, Questions: question.Questions}
		asked := question.Questions[0]
		switch {
		case n.gone.Load():
			if n.unanswered.Add(1)%2 == 0 {
				continue
			}
			answer.RCode = dnsmessage.RCodeNameError
		case asked.Type == dnsmessage.TypeA && asked.Name.String() == hospitalName+".":
			answer.Answers = []dnsmessage.Resource{{
				Header: dnsmessage.ResourceHeader{Name: asked.Name, Class: dnsmessage.ClassINET},
				Body:   &dnsmessage.AResource{A: [4]byte{127, 0, 0, 1}},
			}}
		}
		packed, err := answer.Pack()
		if err != nil {
			t.Error(err)
			return
		}
		_, _ = n.conn.WriteTo(packed, from) // who asked may have gone
	}
}

// dial resolves names here.
func (n *names) dial(ctx context.Context, network, address string) (net.Conn, error) {
	resolver := &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "udp", n.conn.LocalAddr().String())
	}}
	d := net.Dialer{Resolver: resolver}
	return d.DialContext(ctx, network, address)
}
