package session

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// broker is a real broker under test. It listens at the same address after a restart, which forgets its
// sessions.
type broker interface {
	start(t *testing.T)
	stop(t *testing.T)
	address() string
}

// security is what a broker asks of its clients.
type security struct {
	user, password string
	certs          *certificates // TLS with client certificates
	forbidden      string        // a topic that nobody may read (in-process broker only)
}

// brokers are the implementations that the contract suite runs against.
func brokers() map[string]func(t *testing.T, s security) broker {
	return map[string]func(t *testing.T, s security) broker{
		"mosquitto": newMosquitto,
		"mochi":     newMochi,
	}
}

// freeAddress is a loopback address with a port that was free a moment ago.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

type mosquitto struct {
	addr, config string
	command      *exec.Cmd
}

func newMosquitto(t *testing.T, s security) broker {
	t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path = "/usr/sbin/mosquitto"
	}
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("DIASTOLE_REQUIRE_SERVERS") == "1" {
			t.Fatal("mosquitto is not installed, and DIASTOLE_REQUIRE_SERVERS=1 asks for it")
		}
		t.Skip("mosquitto is not installed")
	}
	dir := t.TempDir()
	m := &mosquitto{addr: freeAddress(t), config: filepath.Join(dir, "mosquitto.conf")}
	_, port, _ := net.SplitHostPort(m.addr)
	lines := []string{"listener " + port + " 127.0.0.1", "persistence false", "log_dest none"}
	if os.Getuid() == 0 {
		lines = append(lines, "user root") // else it could not read the test's directory
	}
	if s.user != "" {
		file := filepath.Join(dir, "passwords")
		if err := os.WriteFile(file, []byte(s.user+":"+s.password+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command("mosquitto_passwd", "-U", file).CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_passwd: %v: %s", err, out)
		}
		lines = append(lines, "password_file "+file, "allow_anonymous false")
	} else {
		lines = append(lines, "allow_anonymous true")
	}
	if s.certs != nil {
		lines = append(lines, "cafile "+s.certs.ca, "certfile "+s.certs.server+".crt", "keyfile "+s.certs.server+".key",
			"require_certificate true")
	}
	if err := os.WriteFile(m.config, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m.command = exec.Command(path, "-c", m.config)
	return m
}

func (m *mosquitto) address() string { return m.addr }

func (m *mosquitto) start(t *testing.T) {
	t.Helper()
	m.command = exec.Command(m.command.Path, m.command.Args[1:]...)
	if err := m.command.Start(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", m.addr)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

func (m *mosquitto) stop(t *testing.T) {
	t.Helper()
	if err := m.command.Process.Kill(); err != nil {
		t.Error(err)
	}
	_ = m.command.Wait() // it was killed, and says so
}

type inProcess struct {
	addr     string
	security security
	server   *mochi.Server
}

// door lets in whom the security allows; the broker denies everything without such a hook.
type door struct {
	mochi.HookBase
	security security
}

func (*door) ID() string { return "door" }

func (*door) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

func (d *door) OnConnectAuthenticate(_ *mochi.Client, p packets.Packet) bool {
	return d.security.user == "" ||
		string(p.Connect.Username) == d.security.user && string(p.Connect.Password) == d.security.password
}

func (d *door) OnACLCheck(_ *mochi.Client, topic string, _ bool) bool {
	return d.security.forbidden == "" || topic != d.security.forbidden
}

func newMochi(t *testing.T, s security) broker {
	t.Helper()
	return &inProcess{addr: freeAddress(t), security: s}
}

func (b *inProcess) address() string { return b.addr }

func (b *inProcess) start(t *testing.T) {
	t.Helper()
	b.server = mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := b.server.AddHook(&door{security: b.security}, nil); err != nil {
		t.Fatal(err)
	}
	config := listeners.Config{ID: "test", Address: b.addr}
	if b.security.certs != nil {
		config.TLSConfig = b.security.certs.serverConfig(t)
	}
	if err := b.server.AddListener(listeners.NewTCP(config)); err != nil {
		t.Fatal(err)
	}
	if err := b.server.Serve(); err != nil {
		t.Fatal(err)
	}
}

func (b *inProcess) stop(t *testing.T) {
	t.Helper()
	if err := b.server.Close(); err != nil {
		t.Error(err)
	}
}

// proxy stands between a client and a broker, and can be cut or stall.
type proxy struct {
	listener net.Listener
	target   string
	work     sync.WaitGroup
	mu       sync.Mutex
	moved    *sync.Cond // signalled when stalled or closed changes
	refusing bool
	stalled  bool
	closed   bool
	conns    map[net.Conn]bool
}

func newProxy(t *testing.T, target string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{listener: l, target: target, conns: map[net.Conn]bool{}}
	p.moved = sync.NewCond(&p.mu)
	p.work.Go(p.accept)
	t.Cleanup(func() {
		p.mu.Lock()
		p.closed = true
		p.mu.Unlock()
		p.moved.Broadcast()
		l.Close()
		p.cut()
		p.work.Wait()
	})
	return p
}

func (p *proxy) address() string { return p.listener.Addr().String() }

func (p *proxy) accept() {
	for {
		in, err := p.listener.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		refusing := p.refusing
		p.mu.Unlock()
		if refusing {
			in.Close()
			continue
		}
		out, err := net.Dial("tcp", p.target)
		if err != nil {
			in.Close()
			continue
		}
		p.mu.Lock()
		p.conns[in], p.conns[out] = true, true
		p.mu.Unlock()
		p.work.Go(func() { p.pump(in, out) })
		p.work.Go(func() { p.pump(out, in) })
	}
}

func (p *proxy) pump(to, from net.Conn) {
	defer to.Close()
	defer from.Close()
	b := make([]byte, 4096)
	for {
		n, err := from.Read(b)
		p.mu.Lock()
		for p.stalled && !p.closed {
			p.moved.Wait()
		}
		p.mu.Unlock()
		if _, werr := to.Write(b[:n]); err != nil || werr != nil {
			return
		}
	}
}

// cut ends all connections.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		c.Close()
	}
	clear(p.conns)
}

// refuse makes new connections fail, or work again.
func (p *proxy) refuse(on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.refusing = on
}

// stall swallows all traffic without closing anything, or lets it flow.
func (p *proxy) stall(on bool) {
	p.mu.Lock()
	p.stalled = on
	p.mu.Unlock()
	p.moved.Broadcast()
}

// certificates are the files of an authority made for one test, and of a server and a client that it signed.
type certificates struct{ ca, server, client string }

func newCertificates(t *testing.T) *certificates {
	t.Helper()
	dir := t.TempDir()
	c := &certificates{ca: filepath.Join(dir, "ca.crt"), server: filepath.Join(dir, "server"), client: filepath.Join(dir, "client")}
	write := func(name, kind string, der []byte) {
		if err := os.WriteFile(name, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	key := func() *ecdsa.PrivateKey {
		k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	template := func(serial int64, name string) *x509.Certificate {
		return &x509.Certificate{
			SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: name},
			NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
			IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature,
			ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		}
	}
	authority, authorityKey := template(1, "test authority"), key()
	authority.IsCA, authority.BasicConstraintsValid, authority.KeyUsage = true, true, x509.KeyUsageCertSign
	authority.ExtKeyUsage = nil
	sign := func(certificate *x509.Certificate, k *ecdsa.PrivateKey) []byte {
		der, err := x509.CreateCertificate(rand.Reader, certificate, authority, &k.PublicKey, authorityKey)
		if err != nil {
			t.Fatal(err)
		}
		return der
	}
	write(c.ca, "CERTIFICATE", sign(authority, authorityKey))
	for i, name := range []string{c.server, c.client} {
		k := key()
		write(name+".crt", "CERTIFICATE", sign(template(int64(i+2), filepath.Base(name)), k))
		der, err := x509.MarshalECPrivateKey(k)
		if err != nil {
			t.Fatal(err)
		}
		write(name+".key", "EC PRIVATE KEY", der)
	}
	return c
}

func (c *certificates) serverConfig(t *testing.T) *tls.Config {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(c.server+".crt", c.server+".key")
	if err != nil {
		t.Fatal(err)
	}
	ca, err := os.ReadFile(c.ca)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(ca)
	return &tls.Config{Certificates: []tls.Certificate{pair}, ClientCAs: pool, ClientAuth: tls.RequireAndVerifyClientCert}
}

// eventually waits for a condition that other processes bring about.
func eventually(t *testing.T, what string, condition func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 15*time.Second)
	defer cancel()
	poll := time.NewTicker(5 * time.Millisecond)
	defer poll.Stop()
	for !condition() {
		select {
		case <-poll.C:
		case <-ctx.Done():
			t.Fatalf("still not so: %s", what)
		}
	}
}

var _ io.Writer = (*logBuffer)(nil)

// logBuffer keeps a log for a test to read while it is written.
type logBuffer struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logBuffer) contains(format string, args ...any) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Contains(l.b.String(), fmt.Sprintf(format, args...))
}
