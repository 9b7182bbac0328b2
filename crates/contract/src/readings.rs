//! Readings of one home in memory: values in columns, each with its mask; nothing is overwritten.

/// Most probes a cylinder may carry.
pub const MAX_PROBES: usize = 12;
/// Most heating elements a cylinder may carry: lower first.
pub const MAX_ELEMENTS: usize = 2;

/// What a column of readings holds. Stamps end the interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Channel {
    /// Probe temperature at the stamp, degC; probes are numbered from the top, from 0.
    Probe(u8),
    /// Mean power into the element over the interval, W; element 0 is the lower one.
    Power(u8),
    /// Whether the element is called at the stamp, 0 or 1.
    Call(u8),
    /// Cumulative heater energy at the stamp, Wh.
    Register,
    /// Temperature of the surroundings at the stamp, degC.
    Surroundings,
    /// Cold feed temperature at the stamp, degC.
    Inlet,
    /// Mean flow leaving the top over the interval, l/min; below 0 it flows back, or the meter is the wrong way round.
    Flow,
    /// Mean power exported to the grid over the interval, W.
    Export,
    /// Whether a circulating pump runs at the stamp, 0 or 1.
    Pump,
    /// Coil or plate-exchanger flow temperature at the stamp, degC.
    CoilFlow,
    /// Coil or plate-exchanger return temperature at the stamp, degC.
    CoilReturn,
}

impl Channel {
    /// Number of distinct channels.
    pub const COUNT: usize = MAX_PROBES + 2 * MAX_ELEMENTS + 8;

    /// Position of the channel in [`HomeRows::series`].
    #[must_use]
    pub fn slot(self) -> usize {
        let after_probes = MAX_PROBES;
        let after_elements = MAX_PROBES + 2 * MAX_ELEMENTS;
        match self {
            Self::Probe(i) => usize::from(i).min(MAX_PROBES - 1),
            Self::Power(i) => after_probes + usize::from(i).min(MAX_ELEMENTS - 1),
            Self::Call(i) => after_probes + MAX_ELEMENTS + usize::from(i).min(MAX_ELEMENTS - 1),
            Self::Register => after_elements,
            Self::Surroundings => after_elements + 1,
            Self::Inlet => after_elements + 2,
            Self::Flow => after_elements + 3,
            Self::Export => after_elements + 4,
            Self::Pump => after_elements + 5,
            Self::CoilFlow => after_elements + 6,
            Self::CoilReturn => after_elements + 7,
        }
    }
}

/// What became of a value. The order is the documented order of reasons: of several, the first counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Mask {
    /// Used.
    #[default]
    Used,
    /// Null in the export.
    Absent,
    /// A later row of the export carries the same home, channel and instant.
    Duplicate,
    /// Came after its day was closed.
    Late,
    /// A code that stands for "no value".
    Sentinel,
    /// Outside what the quantity can be.
    OutOfRange,
    /// The register fell back, or rose faster than any heater could make it.
    RegisterStep,
    /// A jump away and back that water cannot make.
    Spike,
    /// The probe repeats one value while the water around it must change.
    Stuck,
}

impl Mask {
    /// All reasons for masking, in documented order.
    pub const REASONS: &'static [Mask] = &[
        Self::Duplicate,
        Self::Late,
        Self::Sentinel,
        Self::OutOfRange,
        Self::RegisterStep,
        Self::Spike,
        Self::Stuck,
    ];

    /// Stable word for files.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Used => "used",
            Self::Absent => "absent",
            Self::Duplicate => "duplicate",
            Self::Late => "late",
            Self::Sentinel => "sentinel",
            Self::OutOfRange => "out_of_range",
            Self::RegisterStep => "register_step",
            Self::Spike => "spike",
            Self::Stuck => "stuck",
        }
    }
}

/// Why a row was rejected before its values were looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reject {
    /// No home identifier.
    NoHome,
    /// No time, or one that is no instant (skipped by the change of hour, or unreadable).
    NoTime,
    /// An instant before 1990 or after 2100.
    AbsurdTime,
    /// Time and home are there, but every value is null.
    NoValue,
    /// A channel name that the mapping does not know (one value a row layout).
    UnknownChannel,
    /// The register of homes does not list the home.
    HomeNotInRegister,
}

impl Reject {
    /// All reasons, in documented order.
    pub const REASONS: &'static [Reject] = &[
        Self::NoHome,
        Self::NoTime,
        Self::AbsurdTime,
        Self::NoValue,
        Self::UnknownChannel,
        Self::HomeNotInRegister,
    ];

    /// Stable word for files.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::NoHome => "no_home",
            Self::NoTime => "no_time",
            Self::AbsurdTime => "absurd_time",
            Self::NoValue => "no_value",
            Self::UnknownChannel => "unknown_channel",
            Self::HomeNotInRegister => "home_not_in_register",
        }
    }
}

/// How the export lays out its rows, which decides how rows are counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Shape {
    /// One row a home and instant, a column a channel.
    #[default]
    Wide,
    /// One row a home, instant and channel.
    Long,
}

/// One channel of one home: a value and a mask for each row of [`HomeRows::time_ms`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    /// Values in the contract's unit; NaN where absent. f64 because a register in Wh outgrows f32.
    pub value: Vec<f64>,
    /// What became of each value.
    pub mask: Vec<Mask>,
}

impl Series {
    /// The value at row `i` if it is used, NaN otherwise.
    #[must_use]
    pub fn used(&self, i: usize) -> f64 {
        if self.mask[i] == Mask::Used { self.value[i] } else { f64::NAN }
    }
}

/// Readings of one home, sorted by time. Equal times may occur: earlier copies are masked as duplicates.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HomeRows {
    /// How rows are counted.
    pub shape: Shape,
    /// Stamp of each row: end of its interval, UTC milliseconds.
    pub time_ms: Vec<i64>,
    /// Which input file each row came from: an index into the run's list of files.
    pub file: Vec<u16>,
    /// A series for each channel that the home has, by [`Channel::slot`].
    pub series: Vec<Option<Series>>,
    /// Rows that came after a row of a later time, and were sorted back.
    pub out_of_order: u64,
    /// The same by input file, files without such rows left out.
    pub out_of_order_by_file: Vec<(u16, u64)>,
    /// Mapped value columns that are null in every row of the home (wide shape): counted, not kept.
    pub null_columns: u32,
}

impl HomeRows {
    /// An empty table.
    #[must_use]
    pub fn new(shape: Shape) -> Self {
        Self { shape, series: vec![None; Channel::COUNT], ..Self::default() }
    }

    /// Number of rows.
    #[must_use]
    pub fn len(&self) -> usize {
        self.time_ms.len()
    }

    /// Whether there is no row.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.time_ms.is_empty()
    }

    /// The series of a channel, if the home has it.
    #[must_use]
    pub fn get(&self, channel: Channel) -> Option<&Series> {
        self.series.get(channel.slot()).and_then(Option::as_ref)
    }

    /// The used value of a channel at row `i`; NaN when absent or masked.
    #[must_use]
    pub fn at(&self, channel: Channel, i: usize) -> f64 {
        self.get(channel).map_or(f64::NAN, |s| s.used(i))
    }
}
