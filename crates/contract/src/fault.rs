//! Fault codes, their classes, and the four outcomes of every assessment.

/// What kind of thing is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FaultClass {
    /// The cylinder, its heater, valves or pipes.
    Equipment,
    /// A temperature probe.
    Sensor,
    /// How the home is served: settings, timing, size. Listed with what to ask, settled by telephone first.
    Service,
    /// The export: never brings a visit.
    Data,
}

impl FaultClass {
    /// Stable word for files.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Equipment => "equipment",
            Self::Sensor => "sensor",
            Self::Service => "service",
            Self::Data => "data",
        }
    }
}

/// What an assessment came to. Never a silent zero: a home without the input is not assessed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Outcome {
    /// Assessed, and nothing found.
    Sound,
    /// Present at the end of the period, at the pipeline's rate of false calls.
    Fault,
    /// An input is missing; `missing` names it.
    NotAssessed,
    /// The inputs exist, but too few good days or occasions of them.
    TooLittleData,
}

impl Outcome {
    /// Stable word for files.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::Fault => "fault",
            Self::NotAssessed => "not_assessed",
            Self::TooLittleData => "too_little_data",
        }
    }

    /// Reads the word back.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Sound, Self::Fault, Self::NotAssessed, Self::TooLittleData]
            .into_iter()
            .find(|o| o.code() == code)
    }
}

/// How strong a fault is that was laid on purpose, as truth tables and command lines say it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// Near what data of this kind can show at all; hardly worth a visit.
    Mild,
    /// What a technician would call a fault without hesitating.
    Middle,
    /// Plain.
    Strong,
}

impl Level {
    /// All levels, weakest first.
    pub const ALL: [Self; 3] = [Self::Mild, Self::Middle, Self::Strong];

    /// Stable word for files.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Mild => "mild",
            Self::Middle => "middle",
            Self::Strong => "strong",
        }
    }

    /// Reads the word back.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|l| l.code() == code)
    }
}

macro_rules! faults {
    ($( $variant:ident $code:literal $class:ident $title:literal $doc:literal; )*) => {
        /// Everything that can be found at a home. Codes are stable: later ones add, none is renamed.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Fault { $( #[doc = $doc] $variant, )* }
        impl Fault {
            /// All faults, in the order of the files.
            pub const ALL: &'static [Fault] = &[ $( Fault::$variant, )* ];
            /// Stable code for files.
            #[must_use]
            pub fn code(self) -> &'static str { match self { $( Self::$variant => $code, )* } }
            /// Which class it belongs to.
            #[must_use]
            pub fn class(self) -> FaultClass { match self { $( Self::$variant => FaultClass::$class, )* } }
            /// A technician's words for it.
            #[must_use]
            pub fn title(self) -> &'static str { match self { $( Self::$variant => $title, )* } }
        }
    };
}

faults! {
    ElementOpen "element_open" Equipment "Element gives no heat" "The relay calls, and the element takes no power.";
    ElementHalf "element_half" Equipment "Element at part power" "The element takes clearly less than its rating allows at any permitted voltage.";
    ThermostatHot "thermostat_hot" Equipment "Thermostat cuts out too hot" "Heating stops well above the set point.";
    ThermostatCold "thermostat_cold" Equipment "Thermostat cuts out too cold" "Heating stops well below the set point.";
    Destratified "destratified" Equipment "Stratification lost" "Hot and cold water mix in the cylinder.";
    LeakSteady "leak_steady" Equipment "Steady loss of hot water" "Hot water leaves round the clock and cold replaces it.";
    LeakHeating "leak_heating" Equipment "Water passes while heating" "Hot water leaves only while the cylinder heats: a relief valve passing.";
    LossDoubled "loss_doubled" Equipment "Excess standing loss" "The cylinder loses clearly more heat than its declared figure, or than it did before.";
    GravityNight "gravity_night" Equipment "Gravity circulation at night" "Hot water circulates through pipework at night and cools there.";
    StuckOn "stuck_on" Equipment "Heater will not stop" "The heater runs uncommanded, or past its thermostat.";
    SensorStuck "sensor_stuck" Sensor "Probe frozen" "A probe repeats one value while the water around it must change.";
    SensorOffset "sensor_offset" Sensor "Probe reads off" "A probe disagrees with its neighbours where the water is at one temperature.";
    SensorSwap "sensor_swap" Sensor "Probes exchanged" "Two probes report each other's place.";
    DataGaps "data_gaps" Data "Rows lost, doubled or late" "The export loses, doubles or delays rows.";
    ClockShift "clock_shift" Data "Clock wrong" "The stamps of the home's rows moved against true time.";
    MeterReset "meter_reset" Data "Energy register restarted" "The energy register fell back.";
    RelayChatter "relay_chatter" Equipment "Relay chatters" "The heater is switched many times an hour.";
    PumpFailed "pump_failed" Equipment "Circulating pump moves no water" "The source heats, and no heat arrives in the cylinder.";
    PumpStuck "pump_stuck" Equipment "Circulating pump will not stop" "The pump moves water while nothing heats.";
    ExchangerDecline "exchanger_decline" Equipment "Coil or plate exchanger passes less heat" "The same source, against the same water, gives clearly less heat than it did.";
    BackupHeating "backup_heating" Equipment "Backup element does the heat pump's work" "Heat that the heat pump should give is given by the element.";
    SurplusMissed "surplus_missed" Equipment "Surplus power leaves the home while the cylinder has room" "Power is exported while the cylinder could take it.";
    SensorDrift "sensor_drift" Sensor "Probe drifts" "A probe moves away from its neighbours week by week.";
    SensorHeight "sensor_height" Sensor "Probe sits at another height" "A probe sees the water pass at another height than the register says.";
    MeterScale "meter_scale" Data "Power meter reads the wrong scale" "Metered energy and the heat that arrives differ by a constant factor.";
    DearHours "dear_hours" Service "Heats outside the cheap hours" "Much of the energy is taken outside the hours of the low rate.";
    RunsOut "runs_out" Service "Runs out of hot water" "Water leaves below 40 degC again and again.";
    HygieneLow "hygiene_low" Service "Stored below the hygiene temperature" "No layer, or not all layers, come to a disinfecting temperature for long enough.";
    ScaldRisk "scald_risk" Service "Water hot enough to scald at once" "The outlet stands at a temperature that scalds within two seconds, again and again.";
}

impl Fault {
    /// Reads a code back.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|f| f.code() == code)
    }

    /// Whether the finding is listed first whatever the money says: overheating, a heater that will not stop.
    #[must_use]
    pub fn is_safety(self) -> bool {
        matches!(self, Self::StuckOn | Self::ThermostatHot)
    }
}
