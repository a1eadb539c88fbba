package config

import (
	"errors"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"diastole/detect"
	"diastole/detect/feature"
	"diastole/detect/signal"
	"diastole/model/air"
	"diastole/model/pump"
)

var update = flag.Bool("update", false, "write what is got into the golden files")

// golden compares got with the content of the file, or writes it there.
func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; write it with go test -update", err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", file, diff)
	}
}

func files(t *testing.T, pattern string) []string {
	t.Helper()
	list, err := filepath.Glob(pattern)
	if err != nil || len(list) == 0 {
		t.Fatalf("%s: no files, %v", pattern, err)
	}
	return list
}

// The machine that runs the tests may have secrets of its own set.
func TestMain(m *testing.M) {
	flag.Parse()
	for _, pair := range os.Environ() {
		if name, _, _ := strings.Cut(pair, "="); strings.HasPrefix(name, "DIASTOLE_") {
			if err := os.Unsetenv(name); err != nil {
				panic(err)
			}
		}
	}
	os.Exit(m.Run())
}

// Every invalid-RULE.yaml breaks the rule of its name; beside it stands the whole error.
func TestInvalid(t *testing.T) {
	for _, file := range files(t, "testdata/invalid-*.yaml") {
		t.Run(filepath.Base(file), func(t *testing.T) {
			c, err := Load(file)
			var invalid *InvalidError
			if !errors.As(err, &invalid) || c != nil {
				t.Fatalf("got %v, %v, want an InvalidError", c, err)
			}
			if strings.Contains(err.Error(), "hunter2") {
				t.Errorf("the error shows a password:\n%v", err)
			}
			for _, p := range invalid.Problems {
				checkPlace(t, p)
			}
			golden(t, strings.TrimSuffix(file, ".yaml")+".txt", err.Error()+"\n")
		})
	}
}

// checkPlace wants a problem to stand inside its file: at a key or value, or for an empty value behind it.
func checkPlace(t *testing.T, p Problem) {
	t.Helper()
	if p.Line == 0 && p.Message == "the file is empty" {
		return
	}
	data, err := os.ReadFile(p.File)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(data), "\n")
	if p.Line < 1 || p.Line > len(lines) || p.Column < 1 || p.Column > len(lines[p.Line-1])+2 {
		t.Errorf("there is no such place: %v", p)
	}
}

func TestGood(t *testing.T) {
	for _, file := range append(files(t, "testdata/good-*.yaml"), "testdata/contract.yaml") {
		c, err := Load(file)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		if err := c.Validate(); err != nil {
			t.Errorf("%s: Load accepts what Validate refuses: %v", file, err)
		}
	}
}

// The example of the published contract is testdata/contract.yaml, and it means what its comments say.
func TestContractExample(t *testing.T) {
	got, err := Load("testdata/contract.yaml")
	if err != nil {
		t.Fatal(err)
	}
	model, err := pump.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	want := &Config{
		Site: "north-works",
		MQTT: MQTT{Broker: "mqtt://127.0.0.1:1883", ClientID: "diastole-north-works", QoS: 1},
		Pumps: []Pump{{
			ID: "P-101", Serial: "0007", ConditionAtStart: "used", Drive: "pilot",
			Channels: []Channel{
				{Channel: signal.AirInletPressure, Topic: "north/p101/air", Format: FormatWaveform, Unit: "bar", Factor: 1e5},
				{Channel: signal.DischargePressure, Topic: "north/p101/discharge", Format: FormatWaveform, Unit: "bar", Factor: 1e5},
				{Channel: signal.StrokeCount, Topic: "north/p101/strokes", Format: FormatNumber, Factor: 1},
			},
			Settings: detect.Settings{
				Model:               model,
				Channels:            [signal.NumChannels]bool{signal.AirInletPressure: true, signal.DischargePressure: true, signal.StrokeCount: true},
				Learn:               detect.LearnSettings{For: 100 * time.Hour},
				FalseTicketsPerYear: 0.05,
			},
			Installed: pump.Installed{Position: "P-101", Serial: "0007", Model: "generic-one-inch"},
		}},
		Kits: []ModelKit{ // of the catalogue beside it
			{Model: "example-one-inch-pp", Kit: pump.KitSpec{Kit: pump.WetEnd, Number: "EX-1PP-WET"}},
			{Model: "example-one-inch-pp", Kit: pump.KitSpec{Kit: pump.AirEnd, Number: "EX-1PP-AIR"}},
			{Model: "example-one-inch-pp", Kit: pump.KitSpec{Kit: pump.PilotValve, Number: "EX-1PP-PIL"}},
		},
		Outlets: Outlets{MQTT: MQTTOutlet{Enabled: true, Prefix: "diastole"}},
		Web:     Web{Listen: "127.0.0.1:8317"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestContractExampleIsCurrent(t *testing.T) {
	contract, err := os.ReadFile("../../../shared/CONTRACT.md")
	if errors.Is(err, fs.ErrNotExist) {
		t.Skip("the contract does not lie beside the module")
	}
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(contract), "```yaml\n")
	block, _, _ := strings.Cut(after, "```")
	example, err := os.ReadFile("testdata/contract.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(block, string(example)); diff != "" {
		t.Errorf("(-contract +testdata):\n%s", diff)
	}
}

// Every key of good-full.yaml has the effect that its description promises.
func TestFull(t *testing.T) {
	c, err := Load("testdata/good-full.yaml")
	if err != nil {
		t.Fatal(err)
	}
	wantMQTT := MQTT{
		Broker: "mqtts://broker.example:8884", ClientID: "diastole-cell-4", Username: "diastole", Password: "broker-password",
		CAFile: "testdata/secrets/ca.pem", CertFile: "testdata/secrets/cert.pem", KeyFile: "testdata/secrets/key.pem", QoS: 2,
	}
	wantOutlets := Outlets{
		MQTT: MQTTOutlet{Enabled: false, Prefix: "plant/diastole"},
		Webhooks: []Webhook{
			{Name: "maintenance", URL: "https://hooks.example/tickets?key=signed", Secret: "hook-secret"},
			{Name: "operations", URL: "http://127.0.0.1:9000/"},
		},
		InfluxDB: &InfluxDB{URL: "http://127.0.0.1:8086", Org: "plant", Bucket: "pumps", Token: "influx-token"},
	}
	if diff := cmp.Diff(wantMQTT, c.MQTT) + cmp.Diff(wantOutlets, c.Outlets); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if c.Web.Listen != "[::1]:8400" || c.StateDir != "testdata/state" {
		t.Errorf("got web %q, state %q", c.Web.Listen, c.StateDir)
	}

	first := c.Pumps[0]
	at := func(text string) time.Time {
		parsed, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return parsed
	}
	wantSettings := detect.Settings{
		Model:        pump.Model{Name: "example-one-inch-pp", StrokeVolume: 350e-6, MaxCycleRate: 220.0 / 60, MaxAirPressure: 8.3e5},
		Counter:      detect.CounterSettings{PerCycle: true, WrapsAt: 65536},
		EdgePerCycle: true, PressureRatio: 2, Solenoid: true,
		Channels: first.Settings.Channels,
		OnChange: [signal.NumChannels]bool{signal.LiquidTemperature: true, signal.LiquidInAir: true},
		Learn: detect.LearnSettings{
			For: 200 * time.Hour, Running: 8*time.Hour + 30*time.Minute, Strokes: 50000,
			Exclude: []detect.Stretch{
				{From: at("2026-03-09T10:00:00Z"), To: at("2026-03-09T12:00:00Z")},
				{From: at("2026-03-10T10:00:00Z"), To: at("2026-03-10T11:00:00Z")},
			},
		},
		// 6.5 dm3/(s bar); 0.2 bar at 1 m3/min of 1.185 kg/m3.
		Supply:              feature.SupplyPath{Path: air.Conductance{C: 6.5e-8, B: 0.3}, Droop: 0.2e5 / (1.185 / 60), Spread: 0.03},
		FalseTicketsPerYear: 0.1,
	}
	near := cmpopts.EquateApprox(1e-12, 0)
	if diff := cmp.Diff(wantSettings, first.Settings, near); diff != "" {
		t.Errorf("settings (-want +got):\n%s", diff)
	}
	wantWords := Pump{
		ID: "P-101", Serial: "0007", Liquid: "caustic soda 30 %", Criticality: "spare at hand", Service: "batch",
		Drive: "solenoid", Damper: true, AirHeader: "main-7bar", DischargeHeader: "ring-1",
		ConditionAtStart: "rebuilt", Size: "1 in, polypropylene", Source: "invented for the tests",
		KitNumbers: map[pump.Kit]string{pump.WetEnd: "EX-1PP-WET", pump.AirEnd: "EX-1PP-AIR", pump.PilotValve: "EX-1PP-PIL"},
		Upkeep: pump.Service{Kits: []pump.KitSpec{
			{Kit: pump.WetEnd, Number: "EX-1PP-WET"}, {Kit: pump.AirEnd, Number: "EX-1PP-AIR"}, {Kit: pump.PilotValve, Number: "EX-1PP-PIL"},
		}},
		Installed: pump.Installed{
			Position: "P-101", Serial: "0007", Model: "example-one-inch-pp", Liquid: "caustic soda 30 %", Criticality: "spare at hand",
		},
	}
	if diff := cmp.Diff(wantWords, first, cmpopts.IgnoreFields(Pump{}, "Channels", "Settings")); diff != "" {
		t.Errorf("pump (-want +got):\n%s", diff)
	}

	wantChannels := map[signal.Channel]Channel{
		// One mapping merged into another: the merged keys stay where they are not given again.
		signal.DischargePressure: {Topic: "north/p101/air", Format: FormatJSON, Value: "/values/1/bar~1abs", Time: "/t", TimeUnit: "ms", Unit: "bar(abs)", Factor: 1e5, Offset: -101325},
		signal.StrokeCount:       {Topic: "north/p101/strokes", Format: FormatJSON, Factor: 1},
		signal.SuctionPressure:   {Topic: "north/p101/suction", Format: FormatNumber, Unit: "mA", Factor: 0.125e5, Offset: -1.5e5, RawMin: 3.6, RawMax: 21},
		signal.ExhaustPressure:   {Topic: "north/p101/exhaust", Format: FormatNumber, Unit: "mbar", Factor: 2500, Offset: -10000, RawMin: 3.6, RawMax: 21},
		signal.LiquidInAir:       {Topic: "north/p101/probe", Format: FormatNumber, Factor: -1, Offset: 1, OnChange: true},
		signal.LiquidTemperature: {Topic: "north/p101/temp", Format: FormatNumber, Unit: "degF", Factor: 1 / 1.8, Offset: 459.67 / 1.8, OnChange: true, Deadband: 1},
		signal.LiquidFlow:        {Topic: "north/p101/flow", Format: FormatSenML, Name: "urn:dev:ow:10e2073a01080063:flow", Unit: "gal/min", Factor: 3.785411784e-3 / 60},
		signal.StrokeEdge:        {Topic: "north/p101/edges", Format: FormatEdges, Factor: 1},
		signal.SideSignal:        {Topic: "north/p101/side", Format: FormatNumber, Unit: "1", Factor: 1, Side: "left"},
		signal.ServiceState: {Topic: "north/p101/plc", Format: FormatJSON, Value: "/mode", Factor: 1, States: map[string]signal.Service{
			"PRODUCTION": signal.ServiceRun, "CIP": signal.ServiceClean, "3": signal.ServicePurge, "4": signal.ServiceOut,
		}},
		signal.AmbientTemperature: {Topic: "north/ambient", Format: FormatNumber, Unit: "Cel", Factor: 1, Offset: 273.15, Shared: true},
	}
	for i, got := range first.Channels {
		if i > 0 && first.Channels[i-1].Channel >= got.Channel {
			t.Errorf("channel %v stands after %v", got.Channel, first.Channels[i-1].Channel)
		}
		if !first.Settings.Channels[got.Channel] {
			t.Errorf("channel %v is not in the settings", got.Channel)
		}
		if want, ok := wantChannels[got.Channel]; ok {
			want.Channel = got.Channel
			if diff := cmp.Diff(want, got, near); diff != "" {
				t.Errorf("channel (-want +got):\n%s", diff)
			}
		}
	}
	if n := len(first.Channels); n != len(signal.ChannelNames()) {
		t.Errorf("the first pump has %d channels, want all %d that are supported", n, len(signal.ChannelNames()))
	}

	second := c.Pumps[1]
	wantChannels = map[signal.Channel]Channel{
		signal.AirInletPressure:  {Topic: "north/p102/air", Format: FormatWaveform, Unit: "kPa", Factor: 1e6 / 4095, BeforeValve: true},
		signal.DischargePressure: {Topic: "spBv1.0/North/DDATA/gw-1/P-102", Format: FormatSparkplugB, Name: "pressures/discharge", Unit: "psi", Factor: 6894.757293, Spacing: 10 * time.Millisecond},
		signal.StrokeCount:       {Topic: "spBv1.0/North/DDATA/gw-1/P-102", Format: FormatSparkplugB, Name: "strokes", Factor: 1},
	}
	for _, got := range second.Channels {
		if want, ok := wantChannels[got.Channel]; ok {
			want.Channel = got.Channel
			if diff := cmp.Diff(want, got, cmpopts.EquateApprox(1e-9, 0)); diff != "" {
				t.Errorf("channel (-want +got):\n%s", diff)
			}
		}
	}
	if !second.Settings.AirBeforeValve || second.Settings.Solenoid || second.Drive != "pilot" {
		t.Errorf("%+v", second.Settings)
	}
	// 0.64 US gallons are 2.4227 litres, 125 psi are 861.845 kPa (NIST SP 811, appendix B.8).
	wantModel := pump.Model{Name: "example-two-inch-al", StrokeVolume: 2.42266e-3, MaxCycleRate: 125.0 / 60, MaxAirPressure: 861845}
	if diff := cmp.Diff(wantModel, second.Settings.Model, cmpopts.EquateApprox(1e-5, 0)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	wantLearn := detect.LearnSettings{Strokes: 20000, AsFound: true} // no default beside a condition that is given
	if diff := cmp.Diff(wantLearn, second.Settings.Learn); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestLoadWithoutFile(t *testing.T) {
	_, err := Load("testdata/nothing-here.yaml")
	var invalid *InvalidError
	if !errors.Is(err, fs.ErrNotExist) || errors.As(err, &invalid) {
		t.Errorf("got %v, want an error that is fs.ErrNotExist and no InvalidError", err)
	}
}
