package config

// The structs below are the configuration as it is written. They are what the file is decoded into and
// what the JSON Schema is printed from, so that the two cannot drift. A description is also what a
// missing key is explained with.

type fileConfig struct {
	Site      string      `yaml:"site" jsonschema:"required" jsonschema_description:"the name of the plant or line; it becomes a topic level and a tag"`
	MQTT      fileMQTT    `yaml:"mqtt" jsonschema:"required" jsonschema_description:"where the sensor messages come from: broker or listen"`
	Catalogue string      `yaml:"catalogue" jsonschema_description:"a file of pump models, relative to this file"`
	Pumps     []filePump  `yaml:"pumps" jsonschema:"required" jsonschema_description:"the list of pumps to watch"`
	Alarms    fileAlarms  `yaml:"alarms" jsonschema_description:"how often a ticket may be wrong"`
	Outlets   fileOutlets `yaml:"outlets" jsonschema_description:"who is told"`
	Web       fileWeb     `yaml:"web" jsonschema_description:"page, API and metrics"`
	StateDir  string      `yaml:"state_dir" jsonschema_description:"the folder of the agent's memory, relative to this file; default $STATE_DIRECTORY, else /var/lib/diastole, else ./diastole-state"`
}

type fileMQTT struct {
	Broker       string `yaml:"broker" jsonschema_description:"mqtt://host:1883, or mqtts://host:8883 for TLS"`
	Listen       string `yaml:"listen" jsonschema_description:"host:port where the embedded broker listens, instead of broker"`
	ClientID     string `yaml:"client_id" jsonschema_description:"stable over restarts and unique at the broker; default diastole-SITE"`
	Username     string `yaml:"username" jsonschema_description:"the name to log in with"`
	PasswordFile string `yaml:"password_file" jsonschema_description:"a file that holds the password; else the environment variable DIASTOLE_MQTT_PASSWORD"`
	CAFile       string `yaml:"ca_file" jsonschema_description:"PEM certificates of the authorities that may sign the broker's certificate; default those of the system"`
	CertFile     string `yaml:"cert_file" jsonschema_description:"PEM certificate that the agent shows; needs key_file"`
	KeyFile      string `yaml:"key_file" jsonschema_description:"PEM key of cert_file"`
	QoS          *int64 `yaml:"qos" jsonschema_description:"quality of service of the subscriptions, 0, 1 or 2; default 1"`
}

type filePump struct {
	ID               string          `yaml:"id" jsonschema:"required" jsonschema_description:"the pump position, such as P-101; it becomes a topic level and a tag"`
	Model            string          `yaml:"model" jsonschema_description:"a built-in model or one of the catalogue; default generic-one-inch"`
	Serial           string          `yaml:"serial" jsonschema_description:"the pump body that stands at this position"`
	Liquid           string          `yaml:"liquid" jsonschema_description:"what is pumped, in words"`
	Criticality      string          `yaml:"criticality" jsonschema_description:"how much depends on the pump, in the plant's own words"`
	Service          string          `yaml:"service" jsonschema_description:"how the pump is used"`
	Drive            string          `yaml:"drive" jsonschema_description:"what moves the air valve: the pump's own pilot (the default), or a solenoid that a controller switches"`
	PressureRatio    *float64        `yaml:"pressure_ratio" jsonschema_description:"liquid pressure over air pressure of a pump with stepped pistons, such as 2; default 1"`
	Damper           bool            `yaml:"damper" jsonschema_description:"true where a pulsation damper stands in the discharge"`
	AirHeader        string          `yaml:"air_header" jsonschema_description:"the name of the air main; pumps of one name share it"`
	DischargeHeader  string          `yaml:"discharge_header" jsonschema_description:"the name of the discharge main; pumps of one name share it"`
	ConditionAtStart string          `yaml:"condition_at_start" jsonschema_description:"what is known of the pump when learning begins; default unknown"`
	Learn            durationText    `yaml:"learn" jsonschema_description:"healthy calendar time that is learned from, such as 100h (the default)"`
	LearnRunning     durationText    `yaml:"learn_running" jsonschema_description:"running time that is learned from, such as 8h"`
	LearnStrokes     *int64          `yaml:"learn_strokes" jsonschema_description:"number of strokes that is learned from"`
	LearnExclude     [][]string      `yaml:"learn_exclude" jsonschema_description:"stretches that are not learned from: a list of [from, to] in RFC 3339"`
	SupplyPath       *fileSupplyPath `yaml:"supply_path" jsonschema_description:"what lies between the regulator and the pump's air inlet, from data sheets or a test; with it the air per stroke follows from pressures"`
	Channels         fileChannels    `yaml:"channels" jsonschema:"required" jsonschema_description:"the pump's sensors by channel name"`
}

type fileChannels map[string]fileChannel

type fileChannel struct {
	Topic     string       `yaml:"topic" jsonschema:"required" jsonschema_description:"the MQTT topic that the sensor's messages arrive on"`
	Format    string       `yaml:"format" jsonschema_description:"how a payload carries the samples; default number"`
	Unit      string       `yaml:"unit" jsonschema_description:"the unit of the numbers; counters and bits need none"`
	Value     *jsonPointer `yaml:"value" jsonschema_description:"RFC 6901 pointer to the number in a json payload"`
	Time      string       `yaml:"time" jsonschema_description:"RFC 6901 pointer to the time in a json payload; without it the arrival counts"`
	TimeUnit  string       `yaml:"time_unit" jsonschema_description:"unit of an epoch time; without it the time is RFC 3339"`
	Name      string       `yaml:"name" jsonschema_description:"the record of a senml pack, or the metric of a sparkplug-b payload"`
	DT        *float64     `yaml:"dt" jsonschema_description:"seconds between the samples of an array of sparkplug-b that carries no property dt"`
	Report    string       `yaml:"report" jsonschema_description:"when a value is sent; default always"`
	Deadband  *float64     `yaml:"deadband" jsonschema_description:"the change, in the unit, below which report: on-change sends nothing"`
	WetValue  *int64       `yaml:"wet_value" jsonschema_description:"what liquid_in_air reads when it is wet, 0 or 1; default 1"`
	Side      string       `yaml:"side" jsonschema_description:"the chamber that discharges while side_signal is 1, seen from the air inlet"`
	Tap       string       `yaml:"tap" jsonschema_description:"where air_inlet_pressure is taken: after the shut-off valve (the default) or before it"`
	States    fileStates   `yaml:"states" jsonschema_description:"what each value of service_state means, such as {CIP: clean, PRODUCTION: run}"`
	Scale     *fileScale   `yaml:"scale" jsonschema_description:"straight line from the raw number to the unit"`
	Reference string       `yaml:"reference" jsonschema_description:"the state of the air that the flow is stated at; default ANR"`
	Counts    string       `yaml:"counts" jsonschema_description:"what one count of stroke_count is; default stroke"`
	WrapsAt   *int64       `yaml:"wraps_at" jsonschema_description:"the count at which stroke_count starts again from 0, such as 65536"`
	Shared    bool         `yaml:"shared" jsonschema_description:"true where several channels read the same value; each of them says so"`
}

// fileStates are the states of service by the text or number that tells them.
type fileStates map[string]string

// durationText is a duration as it is written, such as "100h".
type durationText string

// jsonPointer is an RFC 6901 pointer; empty, it means the whole document.
type jsonPointer string

type fileScale struct {
	From []float64 `yaml:"from" jsonschema:"required" jsonschema_description:"two raw numbers, such as [4, 20]"`
	To   []float64 `yaml:"to" jsonschema:"required" jsonschema_description:"what the two raw numbers of from mean, such as [0, 10]"`
	Unit string    `yaml:"unit" jsonschema_description:"the unit of to, where the channel's own unit is mA"`
}

type fileAlarms struct {
	FalseTickets *float64 `yaml:"false_tickets_per_pump_year" jsonschema_description:"needless rebuild tickets that are accepted, per pump and year; above 0, at most 52, default 0.05"`
}

type fileOutlets struct {
	MQTT     fileMQTTOutlet `yaml:"mqtt" jsonschema_description:"events and retained state, at the broker of the sensors"`
	Webhooks []fileWebhook  `yaml:"webhooks" jsonschema_description:"HTTP receivers of events"`
	InfluxDB *fileInfluxDB  `yaml:"influxdb" jsonschema_description:"receiver of features by the InfluxDB v2 write API"`
}

type fileMQTTOutlet struct {
	Enabled *bool  `yaml:"enabled" jsonschema_description:"default true"`
	Prefix  string `yaml:"prefix" jsonschema_description:"the topics are PREFIX/SITE/PUMP/events and PREFIX/SITE/PUMP/state; default diastole"`
}

type fileWebhook struct {
	Name       string `yaml:"name" jsonschema:"required" jsonschema_description:"a name for logs and metrics"`
	URL        string `yaml:"url" jsonschema:"required" jsonschema_description:"where events are posted to, http:// or https://"`
	SecretFile string `yaml:"secret_file" jsonschema_description:"a file that holds the key to sign with; else the environment variable DIASTOLE_WEBHOOK_NAME_SECRET"`
}

type fileInfluxDB struct {
	URL       string `yaml:"url" jsonschema:"required" jsonschema_description:"the server, http:// or https://"`
	Org       string `yaml:"org" jsonschema:"required" jsonschema_description:"the organisation that owns the bucket"`
	Bucket    string `yaml:"bucket" jsonschema:"required" jsonschema_description:"the bucket to write to"`
	TokenFile string `yaml:"token_file" jsonschema_description:"a file that holds the token; else the environment variable DIASTOLE_INFLUXDB_TOKEN"`
}

type fileWeb struct {
	Listen    string `yaml:"listen" jsonschema_description:"host:port on the loopback interface; default 127.0.0.1:8317"`
	PublicURL string `yaml:"public_url" jsonschema_description:"where people reach the page through the site's own proxy; it is printed on tickets"`
}

// The keys below are refused with a reason of their own instead of "not known".

func (fileMQTT) laterKeys() map[string]string {
	return map[string]string{"password": neverInline("password_file", mqttPasswordEnv)}
}

func (fileWebhook) laterKeys() map[string]string {
	return map[string]string{"secret": neverInline("secret_file", "DIASTOLE_WEBHOOK_NAME_SECRET (the name in capitals, - as _)")}
}

func (fileInfluxDB) laterKeys() map[string]string {
	return map[string]string{"token": neverInline("token_file", influxTokenEnv)}
}

func neverInline(key, env string) string {
	return "is never written here; put it into a file of its own and name that file with " + key +
		", or set the environment variable " + env
}
