//! What the fleet knows, as rows of a table and back, bit by bit: other processes read homes against it.

use std::collections::BTreeMap;

use drawoff_contract::Day;
use drawoff_contract::part_tables::LearntRow;

use super::FleetPriors;

const ROOMS: &str = "rooms";
const COLD: &str = "cold";
const OFFSETS: &str = "room_offsets";
/// Spread and shift of the surroundings.
const BETWEEN: &str = "between_rooms";
const MEASURED: &str = "measured_homes";
const LAST_DAY: &str = "last_day";

impl FleetPriors {
    /// All that it knows.
    #[must_use]
    pub fn to_rows(&self) -> Vec<LearntRow> {
        let mut rows = vec![
            row(OFFSETS, None, &self.room_offsets_k),
            row(BETWEEN, None, &[self.room_spread_k, self.room_shift_k]),
            row(MEASURED, None, &[self.measured_homes as f64]),
        ];
        rows.extend(self.last_day.map(|day| row(LAST_DAY, Some(day), &[])));
        rows.extend(self.rooms.iter().map(|(day, degc)| row(ROOMS, Some(*day), degc)));
        rows.extend(self.cold.iter().map(|(day, degc)| row(COLD, Some(*day), &[*degc])));
        rows
    }

    /// The same again; `None` where the rows are none of [`FleetPriors::to_rows`].
    #[must_use]
    pub fn from_rows(rows: &[LearntRow]) -> Option<Self> {
        let of = |what: &'static str| rows.iter().filter(move |r| r.what == what);
        let one = |what: &'static str| of(what).next().map(|r| numbers(&r.bits));
        let [room_spread_k, room_shift_k] = one(BETWEEN)?.try_into().ok()?;
        let [measured_homes] = one(MEASURED)?.try_into().ok()?;
        let day = |r: &LearntRow| Some(Day(i32::try_from(r.day?).ok()?));
        let rooms: Option<BTreeMap<Day, Vec<f64>>> =
            of(ROOMS).map(|r| Some((day(r)?, numbers(&r.bits)))).collect();
        let cold: Option<BTreeMap<Day, f64>> =
            of(COLD).map(|r| Some((day(r)?, numbers(&r.bits).first().copied()?))).collect();
        Some(Self {
            rooms: rooms?,
            room_spread_k,
            room_offsets_k: one(OFFSETS)?,
            room_shift_k,
            measured_homes: measured_homes as usize,
            last_day: of(LAST_DAY).next().and_then(day),
            cold: cold?,
        })
    }
}

fn row(what: &str, day: Option<Day>, numbers: &[f64]) -> LearntRow {
    LearntRow {
        what: what.to_owned(),
        day: day.map(|d| i64::from(d.0)),
        bits: numbers.iter().map(|v| v.to_bits().cast_signed()).collect(),
    }
}

fn numbers(bits: &[i64]) -> Vec<f64> {
    bits.iter().map(|b| f64::from_bits(b.cast_unsigned())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_fleet_knows_comes_back_bit_by_bit() {
        let priors = FleetPriors {
            rooms: BTreeMap::from([(Day(20_000), vec![0.1 + 0.2, f64::NAN, -0.0]), (Day(20_001), vec![])]),
            room_spread_k: 1.0 / 3.0,
            room_offsets_k: vec![-1.5, 0.1],
            room_shift_k: -0.7,
            measured_homes: 17,
            last_day: Some(Day(20_002)),
            cold: BTreeMap::from([(Day(19_999), 9.100_000_000_000_001)]),
        };
        let rows = priors.to_rows();
        let again = FleetPriors::from_rows(&rows).unwrap();
        assert_eq!(again.to_rows(), rows);
        assert_eq!(format!("{again:?}"), format!("{priors:?}"));
        let empty = FleetPriors::new(&[]);
        assert_eq!(format!("{:?}", FleetPriors::from_rows(&empty.to_rows()).unwrap()), format!("{empty:?}"));
        assert!(FleetPriors::from_rows(&rows[1..]).is_none());
    }
}
