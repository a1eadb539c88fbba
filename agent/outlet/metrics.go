package outlet

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"diastole/agent/store"
)

// scrapeTime bounds what one scrape may ask of the store.
const scrapeTime = 2 * time.Second

// Meter is what the metrics need of the store.
type Meter interface {
	Backlogs(ctx context.Context) ([]store.Backlog, error)
	Dropped(ctx context.Context) ([]store.Dropped, error)
}

// collector reads what the runner and the store know at the moment of a scrape; nothing is counted twice.
type collector struct {
	runner *Runner
	meter  Meter

	sent, setAside, failures, dropped         *prometheus.Desc
	up, pending, pendingBytes, oldest, lastOK *prometheus.Desc
}

// NewMetrics registers the metrics of the outbox and its receivers. Labels are the receivers' names from the
// configuration, kinds and reasons, all of them few.
func NewMetrics(reg prometheus.Registerer, runner *Runner, meter Meter) error {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("diastole_outlet_"+name, help, append([]string{"receiver"}, labels...), nil)
	}
	return reg.Register(&collector{
		runner: runner, meter: meter,
		sent:         desc("sent_total", "Rows that the receiver has confirmed since the start of the agent."),
		setAside:     desc("set_aside_total", "Rows that the receiver can never take, set aside since the start of the agent."),
		failures:     desc("failures_total", "Attempts that failed and are made again, since the start of the agent."),
		dropped:      desc("dropped_total", "Rows that the receiver never gets, since the state directory began.", "kind", "reason"),
		up:           desc("up", "1 while the receiver takes what it is sent, 0 since an attempt failed."),
		pending:      desc("pending_rows", "Rows that wait for the receiver."),
		pendingBytes: desc("pending_bytes", "Size of the rows that wait for the receiver."),
		oldest:       desc("oldest_pending_timestamp_seconds", "Time of the data of the oldest row that waits; absent where none waits."),
		lastOK:       desc("last_success_timestamp_seconds", "When the receiver last confirmed a row; absent where it never has."),
	})
}

// Describe lists the metrics.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{c.sent, c.setAside, c.failures, c.dropped, c.up, c.pending, c.pendingBytes, c.oldest, c.lastOK} {
		ch <- d
	}
}

// Collect reads them.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	counter := func(d *prometheus.Desc, v int64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	for _, s := range c.runner.States() {
		counter(c.sent, s.Sent, s.Receiver)
		counter(c.setAside, s.SetAside, s.Receiver)
		counter(c.failures, s.Failures, s.Receiver)
		up := 0.0
		if s.Failing.IsZero() {
			up = 1
		}
		gauge(c.up, up, s.Receiver)
		if !s.LastSuccess.IsZero() {
			gauge(c.lastOK, seconds(s.LastSuccess), s.Receiver)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), scrapeTime)
	defer cancel()
	backlogs, err := c.meter.Backlogs(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(c.pending, err)
	}
	for _, b := range backlogs {
		gauge(c.pending, float64(b.Rows), b.Receiver)
		gauge(c.pendingBytes, float64(b.Bytes), b.Receiver)
		if !b.Oldest.IsZero() {
			gauge(c.oldest, seconds(b.Oldest), b.Receiver)
		}
	}
	dropped, err := c.meter.Dropped(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(c.dropped, err)
	}
	for _, d := range dropped {
		counter(c.dropped, d.Rows, d.Receiver, d.Kind.String(), d.Reason)
	}
}

func seconds(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }
