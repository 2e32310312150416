package plan

// Data is the operator's wash data.
type Data struct {
	Document                   string
	WaterParts, CleanerParts   int     // by volume
	BatchML, RinseML           float64 // solution for the wash; water for one rinse run
	StepML                     float64 // step of the measuring vessel
	RinseRuns                  int
	K                          float64 // ring: Q [L/min] = K·√p [kPa], from a catch test
	PressureKPa                float64 // gauge, at the container
	OpenDelay, CloseMargin     int     // seconds
	ValveWindow                int     // seconds the valve may be open in one run; 0 is not limited
	SoakSeconds                int
	DryingSeconds              int // length of the drying run; 0 is as approved data say
	DryingLimit                int // seconds from the last wetting to the drying run; 0 is not limited
	Profiles                   []Profile
	AntifreezeBelow            float64 // °C
	AntifreezeMargin           float64 // K
	AntifreezeCeiling, WashMin float64 // °C
	Antifreeze                 []Row   // printed rows, ascending
	AntifreezeSource           string
	Densities                  Densities
	Container                  Container
	Ring                       Ring
	Day                        string   // the civil day that it is planned for, YYYY-MM-DD
	Deposition                 *float64 // chloride in mg/(m²·d), the greatest since the last rinse; nil when not known
	DepositionSource           string
	Flown                      []Exposure // since the last rinse
}

// Exposure is how many flights through something an engine made; Wears says what a wash does about it.
type Exposure struct {
	Kind    string
	Flights int
	Wears   string
}

// Densities are those of the pure liquids in kg/L at the temperature of the table; 0 when it doesn't print them.
type Densities struct{ Antifreeze, Water float64 }

// Profile is a duty list of the starter; the rest after its last run starts it again.
type Profile struct {
	ID, PowerSource string
	MinOAT, MaxOAT  *float64
	Runs            []Duty
}

// Duty is a longest run and the shortest rest after it, in seconds.
type Duty struct{ On, Rest int }

// Row is a printed row of a freezing table; mass per cent and specific gravity are 0 where it prints none.
type Row struct{ VolumePercent, FreezingC, MassPercent, SpecificGravity float64 }
