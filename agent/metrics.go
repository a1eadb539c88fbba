package agent

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/collectors/version"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"diastole/agent/intake/settle"
	"diastole/agent/outlet"
	"diastole/agent/watch"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// metrics is what /metrics serves. Label values come from the configuration and from closed sets.
func (a *Agent) metrics() (http.Handler, error) {
	reg := prometheus.NewRegistry()
	for _, c := range []prometheus.Collector{
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		version.NewCollector("diastole"), newCollector(a),
	} {
		if err := reg.Register(c); err != nil {
			return nil, err
		}
	}
	if err := outlet.NewMetrics(reg, a.runner, a.store); err != nil {
		return nil, err
	}
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{Registry: reg}), nil
}

// collector reads the board, the routes and the session at the moment of a scrape.
type collector struct {
	a *Agent

	info, state, learned, statistic, threshold, lastData, strokes  *prometheus.Desc
	inlet, discharge, tickets, advisories                          *prometheus.Desc
	observed, expected                                             [feature.NumFeatures]*prometheus.Desc
	messages, malformed, retained, unrouted, received, queue, conn *prometheus.Desc
	settled, epochsLost                                            *prometheus.Desc
}

func newCollector(a *Agent) *collector {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("diastole_"+name, help, labels, prometheus.Labels{"site": a.cfg.Site})
	}
	c := &collector{
		a:          a,
		info:       desc("pump_info", "1 for each pump, with what it is.", "pump", "model", "serial"),
		state:      desc("pump_state", "1 for the state that the pump is in, 0 for the others.", "pump", "state"),
		learned:    desc("pump_learned_ratio", "How far the healthy pump is learned.", "pump"),
		statistic:  desc("pump_statistic", "Evidence for a fault: log-likelihood ratio against the best explanation without one.", "pump"),
		threshold:  desc("pump_statistic_threshold", "What the statistic must exceed for a ticket; absent while learning.", "pump"),
		lastData:   desc("pump_last_data_timestamp_seconds", "Time of the newest sample; absent before the first.", "pump"),
		strokes:    desc("pump_strokes", "Strokes seen since the baseline began.", "pump"),
		inlet:      desc("pump_inlet_pascals", "Mean air pressure at the inlet in the newest running epoch, gauge.", "pump"),
		discharge:  desc("pump_discharge_pascals", "Mean discharge pressure in the newest running epoch, gauge.", "pump"),
		tickets:    desc("pump_open_tickets", "Rebuild tickets that are not closed, by urgency.", "pump", "urgency"),
		advisories: desc("pump_open_advisories", "Advisories that stand, by cause.", "pump", "cause"),
		messages:   desc("channel_messages_total", "Messages of a channel's topic.", "pump", "channel"),
		malformed:  desc("channel_malformed_total", "Payloads that were refused, by reason.", "pump", "channel", "reason"),
		retained:   desc("channel_retained_total", "Retained messages without a time of their own, ignored.", "pump", "channel"),
		unrouted:   desc("unrouted_messages_total", "Messages on topics that feed no channel."),
		received:   desc("received_messages_total", "Messages received from the broker, by what became of them.", "outcome"),
		queue:      desc("queued_messages", "Messages that wait to be judged."),
		conn:       desc("broker_connected", "1 while connected to the broker of the sensor messages."),
		settled:    desc("chunks_total", "Stretches of samples, by what became of them in the reorder window.", "pump", "verdict"),
		epochsLost: desc("epochs_dropped_total", "Epochs that the disk did not take and memory could not keep."),
	}
	for f := range feature.NumFeatures {
		name := "pump_" + f.String() + "_" + unitName(f.Unit())
		c.observed[f] = desc(name, "Feature "+f.String()+" of the newest epoch.", "pump")
		c.expected[f] = desc("pump_expected_"+f.String()+"_"+unitName(f.Unit()),
			"What the healthy pump would show of "+f.String()+" at the same operating point; absent while learning.", "pump")
	}
	return c
}

// unitName is a unit in the way of metric names.
func unitName(unit string) string {
	switch unit {
	case "1/s":
		return "hertz"
	case "s":
		return "seconds"
	case "m3":
		return "cubic_meters"
	default:
		return "ratio"
	}
}

// Describe implements prometheus.Collector.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		c.info, c.state, c.learned, c.statistic, c.threshold, c.lastData, c.strokes, c.inlet, c.discharge,
		c.tickets, c.advisories, c.messages, c.malformed, c.retained, c.unrouted, c.received, c.queue, c.conn, c.settled, c.epochsLost,
	} {
		ch <- d
	}
	for f := range feature.NumFeatures {
		ch <- c.observed[f]
		ch <- c.expected[f]
	}
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v int64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	for _, s := range c.a.status.Load().pumps {
		c.pump(s, gauge, counter)
	}
	for _, r := range c.a.site.Router().Routes() {
		st := r.Stats()
		name := r.Channel.String()
		counter(c.messages, st.Messages, r.PumpID, name)
		counter(c.retained, st.Retained, r.PumpID, name)
		for reason, n := range st.Malformed {
			counter(c.malformed, n, r.PumpID, name, string(reason))
		}
	}
	counter(c.unrouted, c.a.site.Router().Unrouted())
	st := c.a.session.Status()
	counter(c.received, st.Received-st.Dropped, "judged")
	counter(c.received, st.Dropped, "dropped")
	gauge(c.queue, float64(st.Queued))
	gauge(c.conn, bit(st.Connected))
	_, lost, _ := c.a.commits.state()
	counter(c.epochsLost, lost)
}

func (c *collector) pump(s watch.Status, gauge func(*prometheus.Desc, float64, ...string), counter func(*prometheus.Desc, int64, ...string)) {
	id := s.Pump.ID
	gauge(c.info, 1, id, s.Pump.Settings.Model.Name, s.Pump.Serial)
	for st := range feature.NumStates {
		gauge(c.state, bit(st == s.Monitor.Running.State), id, st.String())
	}
	gauge(c.learned, s.Monitor.Learned, id)
	if s.Monitor.Threshold > 0 {
		gauge(c.statistic, s.Monitor.Score, id)
		gauge(c.threshold, s.Monitor.Threshold, id)
	}
	if !s.LastData.IsZero() {
		gauge(c.lastData, float64(s.LastData.UnixMilli())/1000, id)
	}
	gauge(c.strokes, s.Monitor.Strokes, id)
	if s.Newest.Inlet.Valid {
		gauge(c.inlet, s.Newest.Inlet.V, id)
	}
	if s.Newest.Discharge.Valid {
		gauge(c.discharge, s.Newest.Discharge.V, id)
	}
	mean, _, known := s.Monitor.Healthy.Expect(s.Newest)
	for f := range feature.NumFeatures {
		if v := s.Newest.Features[f]; v.Valid {
			gauge(c.observed[f], v.V, id)
			if known {
				gauge(c.expected[f], mean[f], id)
			}
		}
	}
	c.open(s, gauge)
	n := s.Settled
	counter(c.settled, n.Accepted, id, string(settle.Accepted))
	counter(c.settled, n.Replaced, id, string(settle.Replaced))
	counter(c.settled, n.Duplicate, id, string(settle.Duplicate))
	counter(c.settled, n.Late, id, string(settle.Late))
	counter(c.settled, n.Clock, id, string(settle.Clock))
}

// open counts what stands, with a zero for what does not, so that alerts see it go.
func (c *collector) open(s watch.Status, gauge func(*prometheus.Desc, float64, ...string)) {
	tickets := map[string]float64{}
	for _, t := range s.Tickets {
		tickets[string(t.Urgency)]++
	}
	for _, u := range []pump.Urgency{pump.Stop, pump.Soon, pump.Planned} {
		gauge(c.tickets, tickets[string(u)], s.Pump.ID, string(u))
	}
	causes := map[string]float64{}
	for _, v := range s.Advisories {
		causes[string(v.Cause)]++
	}
	for _, v := range pump.Causes() {
		gauge(c.advisories, causes[string(v)], s.Pump.ID, string(v))
	}
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
