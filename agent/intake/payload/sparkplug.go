package payload

import (
	"time"

	"diastole/agent/intake/sparkplug"
	"diastole/detect/signal"
)

// Metrics turns the metrics of a Sparkplug payload that have the channel's name into chunks, in the order of the payload;
// what is said of Decode holds. In a birth an array is passed over: it is the last one once more, under the birth's time.
func (c *Codec) Metrics(s *Samples, metrics []sparkplug.Metric, birth bool, arrival time.Time) ([]signal.Chunk, error) {
	s.begin()
	for i := range metrics {
		m := &metrics[i]
		if m.Name != c.name || birth && m.IsArray() {
			continue
		}
		if bad := c.metric(s, m, arrival); bad != nil {
			return nil, bad
		}
	}
	if len(s.chunks) == 0 {
		return nil, nil
	}
	s.gather(c.channel)
	if bad := c.finish(s, arrival); bad != nil {
		return nil, bad
	}
	return s.chunks, nil
}

func (c *Codec) metric(s *Samples, m *sparkplug.Metric, arrival time.Time) *Error {
	switch {
	case m.Null:
		return refuse(Quality, "the metric is null: the node has no value")
	case m.Quality != sparkplug.QualityGood:
		return refuse(Quality, "the metric's Quality is %d; %d is good", m.Quality, sparkplug.QualityGood)
	}
	at := arrival
	if m.HasTimestamp {
		const limit = 9_200_000_000_000 // ms: the year 2261
		if m.Timestamp > limit {
			return refuse(Clock, "the timestamp %d ms since 1970 is further than a time can reach", m.Timestamp)
		}
		at = time.UnixMilli(int64(m.Timestamp))
	}
	if m.IsArray() {
		return c.array(s, m, at)
	}
	v, bad := c.metricValue(m)
	if bad != nil {
		return bad
	}
	s.add(at, v)
	return nil
}

func (c *Codec) metricValue(m *sparkplug.Metric) (float64, *Error) {
	if m.IsText() {
		return c.parse([]byte(m.Text()))
	}
	v, err := m.Number()
	if err != nil {
		return 0, refuse(NotANumber, "the metric of type %d: %v", m.Type, err)
	}
	if m.IsBoolean() && c.channel == signal.ServiceState {
		return c.truth(v != 0)
	}
	return c.number(v)
}

// array adds the samples of an array, whose spacing the metric or the configuration tells.
func (c *Codec) array(s *Samples, m *sparkplug.Metric, at time.Time) *Error {
	step := c.spacing
	if m.Spacing != 0 {
		var ok bool
		if step, ok = toStep(m.Spacing); !ok {
			return refuse(Spacing, "the property dt is %g s; allowed are %g to %g s", m.Spacing, shortestStep.Seconds(), longestStep.Seconds())
		}
	}
	if step == 0 {
		return refuse(Spacing, "the metric is an array without the property dt, and the configuration has no dt either")
	}
	first := len(s.values)
	values, err := m.Numbers(s.values)
	if err != nil {
		return refuse(NotANumber, "%v", err)
	}
	s.values = values
	if len(values) == first {
		return refuse(Empty, "the array has no samples")
	}
	// The samples of an array stay one chunk whatever stands beside it: see gather.
	s.chunks = append(s.chunks, signal.Chunk{Start: at, Step: step, Values: values[first:len(values):len(values)]})
	return nil
}
