package outlet

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"diastole/agent/store"
)

// InfluxOptions say where points are written.
type InfluxOptions struct {
	Name string
	// URL is the server's, without /api/v2/write.
	URL, Org, Bucket, Token string
	Site                    string
	// Model tells a pump's model for the tag; "" leaves the tag out.
	Model func(pump string) string
}

// Influx writes epochs and events by the InfluxDB v2 write API, which other time-series databases take too.
//
// It uses the client's blocking write only: the other one keeps points in memory, tries them a few times
// and then drops them, or takes a refusal for a success.
type Influx struct {
	opts   InfluxOptions
	http   *http.Client
	client influxdb2.Client
	to     api.WriteAPIBlocking
}

// NewInflux makes the sender.
func NewInflux(o InfluxOptions) (*Influx, error) {
	u, err := url.Parse(o.URL)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" {
		return nil, fmt.Errorf("influxdb %s: url %q is not http://… or https://…", o.Name, o.URL)
	}
	s := &Influx{opts: o, http: newHTTPClient()}
	s.client = influxdb2.NewClientWithOptions(o.URL, o.Token, influxdb2.DefaultOptions().
		SetHTTPClient(s.http).SetUseGZip(true).SetPrecision(time.Nanosecond).SetLogLevel(0))
	s.to = s.client.WriteAPIBlocking(o.Org, o.Bucket)
	return s, nil
}

// Name is the receiver's name.
func (s *Influx) Name() string { return s.opts.Name }

// Kinds are epochs and events.
func (s *Influx) Kinds() store.Kinds { return store.KindsOf(store.KindEpoch, store.KindEvent) }

// Close gives idle connections up.
func (s *Influx) Close() {
	s.client.Close()
	s.http.CloseIdleConnections()
}

// Send writes the rows in one request. Where the server refuses it for its content, halves of it find the
// row that is to blame, in about 2 log2(n) requests; good points that are written twice overwrite themselves.
func (s *Influx) Send(ctx context.Context, rows []store.Row) (done int, err error) {
	points := make([]*write.Point, len(rows))
	for i := range rows {
		points[i] = s.point(&rows[i])
	}
	return s.write(ctx, points)
}

func (s *Influx) write(ctx context.Context, points []*write.Point) (done int, err error) {
	err = influxError(s.to.WritePoint(ctx, points...))
	switch {
	case err == nil:
		return len(points), nil
	case !IsPermanent(err) || len(points) == 1:
		return 0, err
	}
	half := len(points) / 2
	done, err = s.write(ctx, points[:half])
	if err != nil {
		return done, err
	}
	done, err = s.write(ctx, points[half:])
	return half + done, err
}

// influxError sorts the client's errors as judge does, with the time that the server asks for.
func influxError(err error) error {
	var e *influxhttp.Error
	switch {
	case err == nil:
		return nil
	case !errors.As(err, &e): // all but encoding happens behind that type
		return Permanent(fmt.Errorf("the point can not be written: %w", err))
	case e.StatusCode == 0:
		return err // the network, or the end of ctx
	}
	err = fmt.Errorf("the server answered %d: %w", e.StatusCode, err)
	if judge(e.StatusCode) == refused {
		return Permanent(err)
	}
	return RetryAfter(err, time.Duration(e.RetryAfter)*time.Second)
}
