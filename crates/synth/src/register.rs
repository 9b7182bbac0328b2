//! The asset register of a fleet as text.

use core::fmt::Write;

use chrono_tz::Tz;
use drawoff_contract::{Cylinder, DailyWindow, Element, HeatSource};

/// First line of the register.
pub const REGISTER_HEADER: &str = "home,area,zone,volume_l,probe_heights,element_lower_w,element_lower_height,element_upper_w,element_upper_height,declared_loss_kwh_per_24h,set_point_degc,tariff,low_rate,control,occupants,installed";

/// What follows [`REGISTER_HEADER`] where the register tells the heat source.
pub const SOURCE_HEADER: &str = ",heat_source,source_power_w,source_lower_height,source_upper_height";

/// What the register says of a heat source; heights are volume fractions from the base.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SourceEntry {
    /// What heats.
    pub kind: HeatSource,
    /// Rated heat of a boiler or heat pump, W.
    pub rated_w: Option<f64>,
    /// Lower end of a coil, or intake of a pump.
    pub lower: Option<f64>,
    /// Upper end of a coil, or return of a pump.
    pub upper: Option<f64>,
}

/// What the register says of one home. No text of it holds a comma or a quote.
#[derive(Clone, Debug, PartialEq)]
pub struct RegisterRow {
    /// Identifier, as in the readings.
    pub home: String,
    /// Area for planning rounds.
    pub area: String,
    /// Name of the time zone.
    pub zone: String,
    /// Nominal volume, l.
    pub volume_l: f64,
    /// Probe heights as volume fractions from the base, top probe first.
    pub probe_heights: Vec<f64>,
    /// Rated power (W) and height (volume fraction) of the lower and the upper element.
    pub elements: [Option<(f64, f64)>; 2],
    /// Heat source, where the register has columns for it.
    pub source: Option<SourceEntry>,
    /// Declared loss at 45 K over 24 h, kWh.
    pub declared_loss_kwh_per_24h: f64,
    /// Set point of the thermostat, degC.
    pub set_point_degc: f64,
    /// Name of the tariff.
    pub tariff: String,
    /// Hours of the low rate, local time.
    pub low_rate: Option<DailyWindow>,
    /// How heating is controlled.
    pub control: String,
    /// People in the home; `None` where the register does not say.
    pub occupants: Option<u32>,
    /// Year of installation.
    pub installed: i32,
}

impl RegisterRow {
    /// What a run knows of this home, as if it had read the register's line: `zone` is the plan's.
    #[must_use]
    pub fn cylinder(&self, zone: Tz) -> Cylinder {
        let elements = [0, 1].into_iter().zip(self.elements);
        let source = self.source;
        Cylinder {
            home: self.home.clone(),
            area: self.area.clone(),
            zone,
            volume_l: Some(self.volume_l),
            height_m: None,
            probe_heights: self.probe_heights.clone(),
            elements: elements
                .filter_map(|(index, e)| e.map(|(rated_w, height)| Element { index, rated_w, height }))
                .collect(),
            heat_source: source.map_or(HeatSource::Element, |s| s.kind),
            source_rated_w: source.and_then(|s| s.rated_w),
            source_lower_height: source.and_then(|s| s.lower),
            source_upper_height: source.and_then(|s| s.upper),
            declared_loss_w_per_k: Some(self.declared_loss_kwh_per_24h / (45.0 * 0.024)),
            set_point_degc: Some(self.set_point_degc),
            tariff: Some(self.tariff.clone()),
            low_rate: self.low_rate,
            control: Some(self.control.clone()),
            occupants: self.occupants.map(f64::from),
            installed: Some(self.installed),
        }
    }
}

/// The register as CSV, one line a home after [`REGISTER_HEADER`]; empty fields where nothing is known.
#[must_use]
pub fn register_csv(rows: &[RegisterRow]) -> String {
    let has_sources = rows.iter().any(|r| r.source.is_some());
    let mut out = format!("{REGISTER_HEADER}{}\n", if has_sources { SOURCE_HEADER } else { "" });
    for row in rows {
        let heights: Vec<String> = row.probe_heights.iter().map(|h| format!("{h:.2}")).collect();
        let elements: Vec<String> = row
            .elements
            .iter()
            .map(|e| e.map_or(",".to_owned(), |(watts, height)| format!("{watts:.0},{height:.2}")))
            .collect();
        let low_rate = row.low_rate.map_or(String::new(), |w| {
            format!("{:02}:{:02}+{}min", w.start_min / 60, w.start_min % 60, w.minutes)
        });
        let occupants = row.occupants.map_or(String::new(), |n| n.to_string());
        let line = [
            row.home.clone(),
            row.area.clone(),
            row.zone.clone(),
            format!("{:.0}", row.volume_l),
            heights.join("|"),
            elements.join(","),
            format!("{:.2}", row.declared_loss_kwh_per_24h),
            format!("{:.0}", row.set_point_degc),
            row.tariff.clone(),
            low_rate,
            row.control.clone(),
            occupants,
            row.installed.to_string(),
        ]
        .join(",");
        let source = row.source.map_or(String::new(), |s| {
            let number =
                |value: Option<f64>, places: usize| value.map_or(String::new(), |v| format!("{v:.places$}"));
            let (rated, lower, upper) = (number(s.rated_w, 0), number(s.lower, 2), number(s.upper, 2));
            format!(",{},{rated},{lower},{upper}", s.kind.code())
        });
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{line}{source}");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_have_as_many_fields_as_the_header() {
        let row = RegisterRow {
            home: "OS-00001".to_owned(),
            area: "Tallow Quay".to_owned(),
            zone: "Europe/London".to_owned(),
            volume_l: 180.0,
            probe_heights: vec![0.95, 0.5, 0.06],
            elements: [Some((3000.0, 0.1)), None],
            source: None,
            declared_loss_kwh_per_24h: 1.7,
            set_point_degc: 60.0,
            tariff: "two-rate".to_owned(),
            low_rate: Some(DailyWindow { start_min: 30, minutes: 420 }),
            control: "night".to_owned(),
            occupants: None,
            installed: 2011,
        };
        let text = register_csv(core::slice::from_ref(&row));
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(
            lines[1],
            "OS-00001,Tallow Quay,Europe/London,180,0.95|0.50|0.06,3000,0.10,,,1.70,60,two-rate,00:30+420min,night,,2011"
        );
        assert_eq!(lines[0].matches(',').count(), lines[1].matches(',').count());
        let coil = SourceEntry {
            kind: HeatSource::Coil,
            rated_w: Some(18_000.0),
            lower: Some(0.05),
            upper: Some(0.4),
        };
        let text = register_csv(&[RegisterRow { source: Some(coil), ..row }]);
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[1].ends_with(",2011,coil,18000,0.05,0.40"), "{}", lines[1]);
        assert_eq!(lines[0].matches(',').count(), lines[1].matches(',').count());
    }
}
