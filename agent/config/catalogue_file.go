package config

// fileCatalogue is the catalogue as it is written.
type fileCatalogue struct {
	Models    []fileModel     `yaml:"models" jsonschema:"required" jsonschema_description:"the list of pump models"`
	Installed []fileInstalled `yaml:"installed" jsonschema_description:"the installed base: every pump of the site, watched or not"`
	Costs     *fileCosts      `yaml:"costs" jsonschema_description:"what things cost at the site"`
}

type fileModel struct {
	Name               string            `yaml:"name" jsonschema:"required" jsonschema_description:"the name that a pump's model: refers to; it becomes a tag"`
	Size               string            `yaml:"size" jsonschema_description:"the nominal size, in words"`
	StrokeVolume       fileQuantity      `yaml:"stroke_volume" jsonschema:"required" jsonschema_description:"liquid displaced by one stroke, such as {value: 350, unit: mL}"`
	MaxCyclesPerMinute float64           `yaml:"max_cycles_per_minute" jsonschema:"required" jsonschema_description:"free-flow cycle rate; one cycle is two strokes"`
	MaxAirPressure     fileQuantity      `yaml:"max_air_pressure" jsonschema:"required" jsonschema_description:"the limit on the pump's plate, gauge, such as {value: 8.6, unit: bar}"`
	Source             string            `yaml:"source" jsonschema:"required" jsonschema_description:"where these values come from: document, edition, page"`
	KitNumbers         map[string]string `yaml:"kit_numbers" jsonschema_description:"the part number of each kit: wet-end, air-end, pilot-valve; kits says more"`
	Kits               []fileKit         `yaml:"kits" jsonschema_description:"the kits with their parts, stock, lead time and cost; several of a kind where materials differ"`
	Tools              []fileTool        `yaml:"tools" jsonschema_description:"the tools that a rebuild of this model takes"`
	Inspect            []fileInspection  `yaml:"inspect" jsonschema_description:"what to look at when the pump is open"`
	Joints             []fileJoint       `yaml:"joints" jsonschema_description:"the joints to tighten, as the service manual has them"`
}

type fileQuantity struct {
	Value float64 `yaml:"value" jsonschema:"required" jsonschema_description:"the number"`
	Unit  string  `yaml:"unit" jsonschema:"required" jsonschema_description:"the unit of value"`
}

type fileKit struct {
	Kit          string            `yaml:"kit" jsonschema:"required" jsonschema_description:"its kind: wet-end, air-end or pilot-valve"`
	Number       string            `yaml:"number" jsonschema:"required" jsonschema_description:"the kit's part number"`
	Materials    map[string]string `yaml:"materials" jsonschema_description:"the materials of the pumps that it fits, such as {diaphragm: PTFE, seat: steel}; without it, it fits all"`
	Parts        []fileBOMLine     `yaml:"parts" jsonschema_description:"its bill of material"`
	Stock        *fileStock        `yaml:"stock" jsonschema_description:"what lies on the shelf"`
	LeadTimeDays *float64          `yaml:"lead_time_days" jsonschema_description:"days from order to shelf"`
	Cost         *fileCost         `yaml:"cost" jsonschema_description:"the price of one kit"`
}

type fileBOMLine struct {
	Part      string `yaml:"part" jsonschema:"required" jsonschema_description:"what the part is"`
	Number    string `yaml:"number" jsonschema_description:"its own part number"`
	Quantity  *int64 `yaml:"quantity" jsonschema:"required" jsonschema_description:"how many the kit holds"`
	Side      string `yaml:"side" jsonschema_description:"where it sits: liquid, air or both"`
	Material  string `yaml:"material" jsonschema_description:"what it is made of"`
	Component string `yaml:"component" jsonschema_description:"what its strokes are counted as; a kit that names components renews those and no others"`
}

type fileStock struct {
	OnHand       *int64 `yaml:"on_hand" jsonschema:"required" jsonschema_description:"kits on the shelf when they were counted"`
	Counted      string `yaml:"counted" jsonschema:"required,format=date" jsonschema_description:"the day on whose morning they were counted, such as 2026-03-09; kits used since are taken off"`
	ReorderPoint *int64 `yaml:"reorder_point" jsonschema_description:"kits at which to order"`
	Place        string `yaml:"place" jsonschema_description:"where, such as a store and a bin"`
}

type fileCost struct {
	Value    *float64 `yaml:"value" jsonschema:"required" jsonschema_description:"the amount"`
	Currency string   `yaml:"currency" jsonschema:"required" jsonschema_description:"ISO 4217 code, such as EUR"`
}

type fileTool struct {
	Tool string `yaml:"tool" jsonschema:"required" jsonschema_description:"what it is"`
	Size string `yaml:"size" jsonschema_description:"its size, such as 13 mm"`
	Use  string `yaml:"use" jsonschema_description:"what it is for"`
}

type fileInspection struct {
	Point  string `yaml:"point" jsonschema:"required" jsonschema_description:"what to look at or measure"`
	Accept string `yaml:"accept" jsonschema:"required" jsonschema_description:"what passes"`
	Reject string `yaml:"reject" jsonschema:"required" jsonschema_description:"what does not"`
}

type fileJoint struct {
	Joint         string      `yaml:"joint" jsonschema:"required" jsonschema_description:"which joint"`
	Torque        *fileTorque `yaml:"torque" jsonschema_description:"the value that the manual gives, with its source; or no_torque"`
	NoTorque      string      `yaml:"no_torque" jsonschema_description:"what to do where the manual gives none, such as tighten evenly"`
	Pattern       string      `yaml:"pattern" jsonschema_description:"the order of tightening"`
	RetorqueHours *float64    `yaml:"retorque_hours" jsonschema_description:"running hours after which the manual wants it checked again"`
}

type fileTorque struct {
	Value  *float64 `yaml:"value" jsonschema:"required" jsonschema_description:"the number as printed"`
	Unit   string   `yaml:"unit" jsonschema:"required" jsonschema_description:"its unit as printed"`
	Source string   `yaml:"source" jsonschema:"required" jsonschema_description:"the manual and its edition"`
	Page   string   `yaml:"page" jsonschema:"required" jsonschema_description:"the page of source"`
}

type fileInstalled struct {
	Position    string            `yaml:"position" jsonschema:"required" jsonschema_description:"the pump position, such as P-101; a watched pump has its id here"`
	Model       string            `yaml:"model" jsonschema:"required" jsonschema_description:"a built-in model or one of this file"`
	Serial      string            `yaml:"serial" jsonschema_description:"the pump body that stands there"`
	Materials   map[string]string `yaml:"materials" jsonschema_description:"what it is made of, which decides the kit, such as {diaphragm: PTFE, seat: steel}"`
	Liquid      string            `yaml:"liquid" jsonschema_description:"what is pumped, in words"`
	Hazard      string            `yaml:"hazard" jsonschema_description:"what is dangerous about the liquid, in words; printed first on the ticket"`
	Criticality string            `yaml:"criticality" jsonschema_description:"how much depends on the pump, in the plant's own words"`
	Shifts      *fileShifts       `yaml:"shifts" jsonschema_description:"when it runs"`
}

type fileShifts struct {
	DaysPerWeek *float64 `yaml:"days_per_week" jsonschema:"required" jsonschema_description:"days a week, above 0, at most 7"`
	HoursPerDay *float64 `yaml:"hours_per_day" jsonschema:"required" jsonschema_description:"hours a day, above 0, at most 24"`
	Note        string   `yaml:"note" jsonschema_description:"what else there is to say of it"`
}

type fileCosts struct {
	Currency        string   `yaml:"currency" jsonschema:"required" jsonschema_description:"ISO 4217 code, such as EUR"`
	Air             *float64 `yaml:"air_per_m3_anr" jsonschema_description:"compressed air, per m3 at ANR"`
	LabourPerHour   *float64 `yaml:"labour_per_hour" jsonschema_description:"an hour of a technician"`
	DowntimePerHour *float64 `yaml:"downtime_per_hour" jsonschema_description:"an hour without the pump"`
	RebuildHours    *float64 `yaml:"rebuild_hours" jsonschema_description:"how long a rebuild takes"`
}
