// Package signal names what a sensor at a pump can tell and holds one stretch of it.
// Everything above receives samples only in this form: SI units, data time, no transport.
package signal

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Channel is one measured quantity at a pump position.
type Channel uint8

// The channels, in the order in which they are documented.
const (
	AirInletPressure Channel = iota
	DischargePressure
	StrokeCount
	StrokeEdge
	SideSignal
	AirFlow
	AirSupplyPressure
	AirValveOpen
	DischargeValveOpen
	SuctionPressure
	ExhaustPressure
	LiquidFlow
	LiquidTemperature
	AmbientTemperature
	LiquidInAir
	ServiceState
	NumChannels
)

// channelInfo is what is fixed about a channel: its name in a configuration and the SI unit in which
// its samples are stored.
var channelInfo = [NumChannels]struct{ name, unit string }{
	AirInletPressure:   {"air_inlet_pressure", "Pa"},
	DischargePressure:  {"discharge_pressure", "Pa"},
	StrokeCount:        {"stroke_count", "1"},
	StrokeEdge:         {"stroke_edge", "s"},
	SideSignal:         {"side_signal", "1"},
	AirFlow:            {"air_flow", "m3/s"},
	AirSupplyPressure:  {"air_supply_pressure", "Pa"},
	AirValveOpen:       {"air_valve_open", "1"},
	DischargeValveOpen: {"discharge_valve_open", "1"},
	SuctionPressure:    {"suction_pressure", "Pa"},
	ExhaustPressure:    {"exhaust_pressure", "Pa"},
	LiquidFlow:         {"liquid_flow", "m3/s"},
	LiquidTemperature:  {"liquid_temperature", "K"},
	AmbientTemperature: {"ambient_temperature", "K"},
	LiquidInAir:        {"liquid_in_air", "1"},
	ServiceState:       {"service_state", "-"},
}

// Service is what a pump is used for at a time: the value of a sample of ServiceState.
type Service uint8

// The states of service. Nothing is learned or judged but in ServiceRun.
const (
	ServiceRun Service = iota
	ServiceClean
	ServicePurge
	ServiceOut
	NumServices
)

var serviceNames = [NumServices]string{"run", "clean", "purge", "out"}

// String is the name of the state in a configuration, such as "clean".
func (s Service) String() string {
	if s >= NumServices {
		return fmt.Sprintf("service(%d)", uint8(s))
	}
	return serviceNames[s]
}

// ServiceNames lists the names of the states of service in their documented order.
func ServiceNames() []string { return slices.Clone(serviceNames[:]) }

// ParseService finds a state of service by its name; the error lists the names that exist.
func ParseService(name string) (Service, error) {
	for s := range NumServices {
		if serviceNames[s] == name {
			return s, nil
		}
	}
	return 0, fmt.Errorf("service state %q is not known; allowed are %s", name, strings.Join(serviceNames[:], ", "))
}

// String is the channel's name in a configuration, such as "air_inlet_pressure".
func (c Channel) String() string {
	if c >= NumChannels {
		return fmt.Sprintf("channel(%d)", uint8(c))
	}
	return channelInfo[c].name
}

// Unit is the SI unit of the channel's samples; air flow is a volume flow at ANR (ISO 8778:
// 20 degC, 100 kPa, 65 % relative humidity), pressures are gauge.
func (c Channel) Unit() string {
	if c >= NumChannels {
		return ""
	}
	return channelInfo[c].unit
}

// ParseChannel finds a channel by its name; the error lists the names that exist.
func ParseChannel(name string) (Channel, error) {
	for c := range NumChannels {
		if channelInfo[c].name == name {
			return c, nil
		}
	}
	return 0, fmt.Errorf("channel %q is not known; allowed are %s", name, strings.Join(ChannelNames(), ", "))
}

// ChannelNames lists all channel names in their documented order.
func ChannelNames() []string {
	names := make([]string, 0, NumChannels)
	for c := range NumChannels {
		names = append(names, channelInfo[c].name)
	}
	return slices.Clip(names)
}

// Chunk is one stretch of evenly spaced samples of one channel: Values[i] belongs to Start + i*Step.
// A single reading has one value and a Step of zero. Values are finite, in the channel's SI unit.
//
// A StrokeEdge has its time in Start and the value zero, with a Step of zero; several of one message are several chunks.
// A ServiceState has the number of a Service as its value.
type Chunk struct {
	Channel Channel
	Start   time.Time
	Step    time.Duration
	Values  []float64
}

// End is the time just after the last sample: the start of the chunk that would follow it seamlessly.
func (c Chunk) End() time.Time {
	return c.Start.Add(time.Duration(len(c.Values)) * c.Step)
}
