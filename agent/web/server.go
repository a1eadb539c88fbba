package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// Server serves the page, the API, the probes and the metrics on the loopback interface.
type Server struct {
	src     Source
	metrics http.Handler
	log     *slog.Logger
	sparks  sparkCache
	times   timeouts

	listener net.Listener
	http     *http.Server
	cancel   context.CancelFunc // ends the event streams
	serving  sync.WaitGroup
}

// timeouts bound what a slow or silent client can hold.
type timeouts struct {
	readHeader, read, write, idle time.Duration
	keepAlive                     time.Duration // silence after which an event stream sends a comment
	pace                          time.Duration // least distance of two messages on an event stream
}

var defaultTimeouts = timeouts{
	readHeader: 5 * time.Second,
	read:       15 * time.Second,
	write:      30 * time.Second,
	idle:       2 * time.Minute,
	keepAlive:  20 * time.Second,
	pace:       time.Second,
}

// maxHeader is enough for any browser on a page without cookies.
const maxHeader = 32 << 10

// New makes a server that is not yet started. metrics serves /metrics.
func New(src Source, metrics http.Handler, log *slog.Logger) *Server {
	return &Server{src: src, metrics: metrics, log: log, times: defaultTimeouts}
}

// Start listens on addr, a host:port of the loopback interface (port 0 picks a free one), and serves
// until Stop. Any other address is an error, since there is no log-in. It must be called once.
func (s *Server) Start(ctx context.Context, addr string) error {
	if err := checkLoopback(addr); err != nil {
		return err
	}
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", addr)
	if err != nil {
		return fmt.Errorf("web: listen on %s: %w", addr, err)
	}
	s.serve(ctx, listener)
	return nil
}

// serve answers on the listener in a goroutine that Stop waits for.
func (s *Server) serve(ctx context.Context, listener net.Listener) {
	ctx, s.cancel = context.WithCancel(ctx)
	s.listener = listener
	s.http = &http.Server{
		Handler:           s.Handler(),
		ReadHeaderTimeout: s.times.readHeader,
		ReadTimeout:       s.times.read,
		WriteTimeout:      s.times.write,
		IdleTimeout:       s.times.idle,
		MaxHeaderBytes:    maxHeader,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
		BaseContext:       func(net.Listener) context.Context { return ctx },
	}
	s.serving.Go(func() {
		if err := s.http.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("web server ended", "address", listener.Addr().String(), "error", err)
		}
	})
	s.log.Info("web server listens", "address", listener.Addr().String())
}

// Addr is the address that is listened on, with the real port. It is empty before Start.
func (s *Server) Addr() string {
	if s.listener == nil {
		return ""
	}
	return s.listener.Addr().String()
}

// Stop ends the event streams, lets the other requests finish until ctx ends, and waits for the
// server's goroutine. A server that was not started has nothing to stop.
func (s *Server) Stop(ctx context.Context) error {
	if s.http == nil {
		return nil
	}
	s.cancel()
	err := s.http.Shutdown(ctx)
	if err != nil {
		err = fmt.Errorf("web: requests still open at the end: %w", err)
		_ = s.http.Close() // the first error is the one that tells
	}
	s.serving.Wait()
	return err
}

// checkLoopback refuses every address that other machines could reach.
func checkLoopback(addr string) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("web: address %q: %w; wanted is host:port", addr, err)
	}
	if !isLoopback(host) {
		return fmt.Errorf("web: address %q: host must be localhost or a loopback address such as 127.0.0.1, since there is no log-in", addr)
	}
	return nil
}

// isLoopback tells whether a host name can only mean this machine.
func isLoopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}
