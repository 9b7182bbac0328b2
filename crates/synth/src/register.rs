//! The asset register of a fleet as text.

use core::fmt::Write;

use drawoff_contract::DailyWindow;

/// First line of the register.
pub const REGISTER_HEADER: &str = "home,area,zone,volume_l,probe_heights,element_lower_w,element_lower_height,element_upper_w,element_upper_height,declared_loss_kwh_per_24h,set_point_degc,tariff,low_rate,control,occupants,installed";

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

/// The register as CSV, one line a home after [`REGISTER_HEADER`]; empty fields where nothing is known.
#[must_use]
pub fn register_csv(rows: &[RegisterRow]) -> String {
    let mut out = format!("{REGISTER_HEADER}\n");
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
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{line}");
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
            declared_loss_kwh_per_24h: 1.7,
            set_point_degc: 60.0,
            tariff: "two-rate".to_owned(),
            low_rate: Some(DailyWindow { start_min: 30, minutes: 420 }),
            control: "night".to_owned(),
            occupants: None,
            installed: 2011,
        };
        let text = register_csv(&[row]);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(
            lines[1],
            "OS-00001,Tallow Quay,Europe/London,180,0.95|0.50|0.06,3000,0.10,,,1.70,60,two-rate,00:30+420min,night,,2011"
        );
        assert_eq!(lines[0].matches(',').count(), lines[1].matches(',').count());
    }
}
