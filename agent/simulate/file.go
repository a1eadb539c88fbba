package simulate

// The structs below are a scenario as it is written. A description is also what a missing key is explained with.

type file struct {
	Site     string        `yaml:"site" jsonschema:"required" jsonschema_description:"the name of the invented plant; it becomes a topic level"`
	Start    string        `yaml:"start" jsonschema:"required" jsonschema_description:"when it begins, RFC 3339"`
	Length   durationText  `yaml:"length" jsonschema:"required" jsonschema_description:"how long it takes, such as 60h"`
	Seed     int64         `yaml:"seed" jsonschema_description:"fixes all that is random; default 0"`
	Learn    durationText  `yaml:"learn" jsonschema_description:"how long the agent is to learn, for the configuration; default a third of length"`
	Dialect  string        `yaml:"dialect" jsonschema_description:"how the plant publishes: topics (the default), current-loop, plc, senml, senml-cbor or sparkplug-b"`
	Bursts   *fileBursts   `yaml:"bursts" jsonschema_description:"sampling now and then; without it all the time"`
	Header   *fileHeader   `yaml:"header" jsonschema_description:"the air main of all pumps; without it every pump has a steady one"`
	Manifold *fileManifold `yaml:"manifold" jsonschema_description:"the discharge pipe of all pumps; without it every pump has its own"`
	Pumps    []filePump    `yaml:"pumps" jsonschema:"required" jsonschema_description:"the list of pumps"`
}

type fileBursts struct {
	Every  durationText `yaml:"every" jsonschema:"required" jsonschema_description:"from the begin of one burst to that of the next, such as 1h"`
	Length durationText `yaml:"length" jsonschema:"required" jsonschema_description:"how long a burst is, such as 12s"`
}

type fileHeader struct {
	Pressure    pressureText `yaml:"pressure" jsonschema:"required" jsonschema_description:"its mean pressure without draw, such as 7 bar"`
	Swing       pressureText `yaml:"swing" jsonschema_description:"standard deviation of its slow swing"`
	SwingTime   durationText `yaml:"swing_time" jsonschema_description:"how slowly it swings (correlation time)"`
	DipsPerHour float64      `yaml:"dips_per_hour" jsonschema_description:"how often another user pulls it down"`
	DipDepth    pressureText `yaml:"dip_depth" jsonschema_description:"mean depth of such a dip"`
	DipTime     durationText `yaml:"dip_time" jsonschema_description:"time constant of the recovery"`
	Volume      float64      `yaml:"volume_m3" jsonschema_description:"air volume near the pumps"`
	Loss        float64      `yaml:"loss_pa_s_per_kg" jsonschema_description:"pressure lost per mass flow drawn"`
}

type fileManifold struct {
	Static     pressureText `yaml:"static" jsonschema_description:"pressure at its end"`
	Resistance float64      `yaml:"resistance_pa_s2_per_m6" jsonschema:"required" jsonschema_description:"pressure lost per square of the flow"`
	Compliance float64      `yaml:"compliance_m3_per_pa" jsonschema_description:"its give"`
}

type filePump struct {
	ID            string           `yaml:"id" jsonschema:"required" jsonschema_description:"the pump position, such as S-11; it becomes a topic level"`
	Model         string           `yaml:"model" jsonschema_description:"a built-in size; default generic-one-inch"`
	Scatter       *float64         `yaml:"scatter" jsonschema_description:"how far it strays from its kind, 0 to 3; default 1, ordinary"`
	StrokesBefore *float64         `yaml:"strokes_before" jsonschema_description:"strokes that its seals have run at the start; default 1e6, bedded in"`
	Damper        float64          `yaml:"damper_stroke_volumes" jsonschema_description:"gas of a pulsation damper at the atmosphere, in stroke volumes; 30 is ordinary, default none"`
	Process       fileProcess      `yaml:"process" jsonschema_description:"the duty at the start, where it is not the ordinary one"`
	Instruments   []fileInstrument `yaml:"instruments" jsonschema_description:"default: air inlet and discharge pressure at 100 Hz and a stroke counter"`
	Link          fileLink         `yaml:"link" jsonschema_description:"how messages travel; default at once and without loss"`
	Wear          []fileWear       `yaml:"wear" jsonschema_description:"faults that grow"`
	Plan          []fileChange     `yaml:"plan" jsonschema_description:"what operators, the weather and the instruments do"`
}

// fileProcess has a key for each name of plant.Quantities; pointers tell what is given.
type fileProcess struct {
	Header         *pressureText    `yaml:"header" jsonschema_description:"air pressure before the regulator"`
	Setting        *pressureText    `yaml:"setting" jsonschema_description:"what the regulator is set to"`
	SupplyBlock    *float64         `yaml:"supply_block" jsonschema_description:"lost part of the air supply line, 0 to 1"`
	AirOff         *bool            `yaml:"air_off" jsonschema_description:"air shut off"`
	StaticHead     *pressureText    `yaml:"static_head" jsonschema_description:"pressure at the far end of the discharge line"`
	ThrottleFactor *float64         `yaml:"throttle_factor" jsonschema_description:"loss of the valve at the end of the line: 1 as built, 4 half shut"`
	DeadHead       *bool            `yaml:"dead_head" jsonschema_description:"discharge valve shut"`
	Damper         *float64         `yaml:"damper" jsonschema_description:"share of the damper's charge that is left, 0 to 1"`
	SuctionHead    *pressureText    `yaml:"suction_head" jsonschema_description:"pressure at the far end of the suction line; negative lifts"`
	SuctionBlock   *float64         `yaml:"suction_block" jsonschema_description:"blocked part of the suction line's area, 0 to below 1"`
	SuctionAir     *float64         `yaml:"suction_air" jsonschema_description:"gas drawn with the liquid, by volume"`
	DryRun         *bool            `yaml:"dry_run" jsonschema_description:"suction empty"`
	Viscosity      *float64         `yaml:"viscosity" jsonschema_description:"over that of water at 20 degC"`
	Density        *float64         `yaml:"density" jsonschema_description:"over that of water at 20 degC"`
	ExhaustBlock   *float64         `yaml:"exhaust_block" jsonschema_description:"lost part of the muffler, 0 to 1"`
	Icing          *float64         `yaml:"icing" jsonschema_description:"part of the muffler that ice takes after minutes of running"`
	Ambient        *temperatureText `yaml:"ambient" jsonschema_description:"temperature around, such as 20 Cel"`
}

type fileInstrument struct {
	Channel    string   `yaml:"channel" jsonschema:"required" jsonschema_description:"what it senses"`
	Rate       *float64 `yaml:"rate" jsonschema_description:"readings a second, a divisor of 1000"`
	Block      *int64   `yaml:"block" jsonschema_description:"readings per message; default those of a second"`
	Cutoff     *float64 `yaml:"cutoff_hz" jsonschema_description:"-3 dB frequency of its filter; 0 for none"`
	Noise      spanText `yaml:"noise" jsonschema_description:"standard deviation of a reading, such as 0.005 bar"`
	Resolution spanText `yaml:"resolution" jsonschema_description:"step to which it rounds"`
	Offset     spanText `yaml:"offset" jsonschema_description:"constant error"`
	Deadband   spanText `yaml:"deadband" jsonschema_description:"sends a reading only when it has moved by more than this, each in a message of its own"`
	WrapsAt    int64    `yaml:"wraps_at" jsonschema_description:"count at which a counter starts anew"`
	PerCycle   bool     `yaml:"per_cycle" jsonschema_description:"counts cycles, not strokes"`
	Float32    bool     `yaml:"float32" jsonschema_description:"rounds the count to single precision, as some controllers do"`
}

type fileLink struct {
	Delay    durationText `yaml:"delay" jsonschema_description:"that every message takes"`
	Spread   durationText `yaml:"spread" jsonschema_description:"up to so much more"`
	Lost     float64      `yaml:"lost" jsonschema_description:"chance that a message is lost"`
	Doubled  float64      `yaml:"doubled" jsonschema_description:"chance that it comes twice"`
	Late     float64      `yaml:"late" jsonschema_description:"chance that it is late"`
	Lateness durationText `yaml:"lateness" jsonschema_description:"how late at most"`
}

type fileWear struct {
	Fault string       `yaml:"fault" jsonschema:"required" jsonschema_description:"what wears"`
	Side  string       `yaml:"side" jsonschema_description:"a, b or both; default both where the fault has no side, else a"`
	From  durationText `yaml:"from" jsonschema:"required" jsonschema_description:"when it begins, from the start, such as 24h"`
	Full  durationText `yaml:"full" jsonschema_description:"when it has reached size; default at once"`
	Until durationText `yaml:"until" jsonschema_description:"when a rebuild ends it; default never"`
	Size  *float64     `yaml:"size" jsonschema_description:"where it ends; default 1, the size that calls for a rebuild"`
	Shape *float64     `yaml:"shape" jsonschema_description:"the power of its growth; default 1, a straight line"`
}

type fileChange struct {
	At      durationText `yaml:"at" jsonschema:"required" jsonschema_description:"when, from the start, such as 8h30m"`
	Set     *fileProcess `yaml:"set" jsonschema_description:"parts of the process that change"`
	Over    durationText `yaml:"over" jsonschema_description:"the time that the change takes; default none"`
	Channel string       `yaml:"channel" jsonschema_description:"an instrument that has trouble from now on"`
	Trouble *fileTrouble `yaml:"trouble" jsonschema_description:"its trouble; {} ends it"`
	Rebuild bool         `yaml:"rebuild" jsonschema_description:"new seals, which bed in anew"`
}

type fileTrouble struct {
	Offset    spanText `yaml:"offset" jsonschema_description:"added to every reading"`
	Stuck     bool     `yaml:"stuck" jsonschema_description:"repeats the last reading"`
	Silent    float64  `yaml:"silent" jsonschema_description:"chance that a message is never sent"`
	Spikes    float64  `yaml:"spikes_per_second" jsonschema_description:"readings a second that interference hits"`
	SpikeSize spanText `yaml:"spike_size" jsonschema_description:"standard deviation of such a hit"`
	Missed    float64  `yaml:"missed" jsonschema_description:"chance that a counter misses a stroke"`
	Chatter   float64  `yaml:"chatter" jsonschema_description:"chance that it counts one twice"`
	Reset     bool     `yaml:"reset" jsonschema_description:"the counter starts anew, once"`
}

// Texts that carry a unit.
type (
	durationText    string
	pressureText    string
	temperatureText string
	spanText        string
)

// NeedsUnit implements config.UnitText.
func (durationText) NeedsUnit() string { return "h, m, s or ms, such as 36h or 1h30m" }

// NeedsUnit implements config.UnitText.
func (pressureText) NeedsUnit() string { return "such as 5.2 bar or 520 kPa" }

// NeedsUnit implements config.UnitText.
func (temperatureText) NeedsUnit() string { return "such as 20 Cel or 293 K" }

// NeedsUnit implements config.UnitText.
func (spanText) NeedsUnit() string { return "that of its channel, such as 0.005 bar" }
