//! Units of a foreign export, and how their values turn into the contract's.

use crate::readings::Channel;

/// A unit that an export may use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Degrees Celsius.
    DegC,
    /// Degrees Fahrenheit.
    DegF,
    /// Kelvin.
    Kelvin,
    /// Tenths of a degree Celsius.
    TenthsDegC,
    /// Watts.
    W,
    /// Kilowatts.
    KW,
    /// Watt-hours: cumulative for a register, energy of the interval for a power.
    Wh,
    /// Kilowatt-hours: cumulative for a register, energy of the interval for a power.
    KWh,
    /// Litres a minute.
    LitresPerMinute,
    /// Litres an hour.
    LitresPerHour,
    /// 0 or 1, false or true.
    Bool,
}

impl Unit {
    /// All units with the word a mapping uses.
    pub const WORDS: &'static [(&'static str, Unit)] = &[
        ("degC", Self::DegC),
        ("degF", Self::DegF),
        ("K", Self::Kelvin),
        ("tenths_degC", Self::TenthsDegC),
        ("W", Self::W),
        ("kW", Self::KW),
        ("Wh", Self::Wh),
        ("kWh", Self::KWh),
        ("l/min", Self::LitresPerMinute),
        ("l/h", Self::LitresPerHour),
        ("bool", Self::Bool),
    ];

    /// Words of the units that suit a channel.
    #[must_use]
    pub fn words_for(channel: Channel) -> &'static [&'static str] {
        match channel {
            Channel::Probe(_)
            | Channel::Surroundings
            | Channel::Inlet
            | Channel::CoilFlow
            | Channel::CoilReturn => &["degC", "degF", "K", "tenths_degC"],
            Channel::Power(_) | Channel::Export => &["W", "kW", "Wh", "kWh"],
            Channel::Call(_) | Channel::Pump => &["bool"],
            Channel::Register => &["Wh", "kWh"],
            Channel::Flow => &["l/min", "l/h"],
        }
    }

    /// The word a mapping uses.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(_, unit)| *unit == self).map_or("", |(word, _)| word)
    }

    /// Whether the unit suits a channel.
    #[must_use]
    pub fn suits(self, channel: Channel) -> bool {
        Self::words_for(channel).contains(&self.word())
    }

    /// Whether the unit is an energy of the interval for this channel, so that the cadence must be known.
    #[must_use]
    pub fn is_interval_energy(self, channel: Channel) -> bool {
        matches!(self, Self::Wh | Self::KWh) && channel != Channel::Register
    }

    /// How a value of this unit turns into the contract's.
    ///
    /// `cadence_min` is the length of an interval, used for interval energies only.
    #[must_use]
    pub fn conversion(self, channel: Channel, cadence_min: f64) -> Conversion {
        let (minutes, interval) = if channel == Channel::Register { (1.0, 1.0) } else { (60.0, cadence_min) };
        let (add, multiply, divide) = match self {
            Self::DegC | Self::W | Self::LitresPerMinute | Self::Bool => (0.0, 1.0, 1.0),
            Self::DegF => (-32.0, 5.0, 9.0),
            Self::Kelvin => (-273.15, 1.0, 1.0),
            Self::TenthsDegC => (0.0, 1.0, 10.0),
            Self::KW => (0.0, 1000.0, 1.0),
            Self::Wh => (0.0, minutes, interval),
            Self::KWh => (0.0, 1000.0 * minutes, interval),
            Self::LitresPerHour => (0.0, 1.0, 60.0),
        };
        Conversion { add, multiply, divide }
    }
}

/// A linear conversion. It divides rather than multiplying by a rounded reciprocal, so that 601 tenths are 60.1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conversion {
    /// Added first.
    pub add: f64,
    /// Multiplied with next.
    pub multiply: f64,
    /// Divided by last.
    pub divide: f64,
}

impl Conversion {
    /// The converted value; NaN stays NaN.
    ///
    /// ```
    /// use drawoff_contract::{Channel, mapping::Unit};
    /// // 0.25 kWh in five minutes are a mean of 3 kW.
    /// assert_eq!(Unit::KWh.conversion(Channel::Power(0), 5.0).apply(0.25), 3000.0);
    /// assert_eq!(Unit::TenthsDegC.conversion(Channel::Probe(0), 5.0).apply(601.0), 60.1);
    /// ```
    #[must_use]
    pub fn apply(self, value: f64) -> f64 {
        (value + self.add) * self.multiply / self.divide
    }
}

/// Lowest and highest value that a channel can take, in the contract's unit; outside it is masked.
///
/// Wide limits on purpose (common practice, no source): they catch codes and broken wires, not odd weather.
#[must_use]
pub fn possible_range(channel: Channel) -> (f64, f64) {
    match channel {
        Channel::Probe(_)
        | Channel::Surroundings
        | Channel::Inlet
        | Channel::CoilFlow
        | Channel::CoilReturn => (-10.0, 110.0),
        Channel::Power(_) => (-50.0, 30_000.0),
        Channel::Export => (-100_000.0, 100_000.0),
        Channel::Call(_) | Channel::Pump => (0.0, 1.0),
        // A register may run below zero after a fault of its own; only its steps count.
        Channel::Register => (-1e12, 1e12),
        // A meter that is fitted the wrong way round counts down: that is for the reader to see.
        Channel::Flow => (-100.0, 100.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn convert(unit: Unit, channel: Channel, value: f64) -> f64 {
        unit.conversion(channel, 5.0).apply(value)
    }

    #[test]
    fn known_points() {
        let probe = Channel::Probe(0);
        assert!((convert(Unit::DegF, probe, 212.0) - 100.0).abs() < 1e-9);
        assert!((convert(Unit::Kelvin, probe, 333.15) - 60.0).abs() < 1e-9);
        assert!((convert(Unit::TenthsDegC, probe, 605.0) - 60.5).abs() < 1e-9);
        // 0.25 kWh in five minutes is a mean of 3 kW; on a register it is 250 Wh.
        assert!((convert(Unit::KWh, Channel::Power(0), 0.25) - 3000.0).abs() < 1e-9);
        assert!((convert(Unit::KWh, Channel::Register, 0.25) - 250.0).abs() < 1e-9);
        assert!((convert(Unit::LitresPerHour, Channel::Flow, 600.0) - 10.0).abs() < 1e-9);
    }

    #[test]
    fn units_suit_channels() {
        assert!(Unit::Wh.suits(Channel::Power(1)) && Unit::Wh.is_interval_energy(Channel::Power(1)));
        assert!(!Unit::Wh.is_interval_energy(Channel::Register));
        assert!(!Unit::W.suits(Channel::Probe(0)));
    }
}
