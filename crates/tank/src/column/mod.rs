//! Small fast column of water for search by simulation: one call moves a cylinder on by a whole interval of readings.
//!
//! [`crate::model`] follows a cylinder minute by minute with any ports; this follows one whose cold feed enters at the base
//! and whose hot water leaves at the top, in one pass an interval, without allocation and with a state that is copied like
//! a number. A search that tries thousands of draw-offs a day needs that. Layers ride with the water: the lowest grows with
//! the feed and the highest shrinks by as much, so that no front is smeared by being carried. Within an interval come, in
//! this order, draw-off with mixing at the inlet, circulation over the top, heat, conduction, loss, buoyancy.
//!
//! All is continuous in the litres drawn, readings as well, so that a search can take differences. Heat capacity of a litre
//! is that at [`crate::model::REFERENCE_DEGC`]; litres that enter are converted by mass.
//!
//! ```
//! use drawoff_tank::column::{Body, Heat, Interval, Settings};
//! let body = Body::new(&Settings { volume_l: 200.0, standing_loss_w_per_k: 1.5, ..Settings::default() });
//! let mut water = body.uniform(60.0);
//! let heats = [Heat { low: 0.1, high: 0.15, wh: 250.0 }];
//! let interval = Interval { drawn_l: 10.0, feed_degc: 10.0, heats: &heats, ..Interval::default() };
//! let before_wh = body.stored_wh(&water);
//! let passed = body.advance(&mut water, &interval);
//! // ten litres at 10 degC weigh 9.997 kg; 9.997 x 4.18 / 3.6 x 50 K = 580 Wh
//! assert!((passed.delivered_wh - 580.0).abs() < 2.0);
//! let gained_wh = passed.heated_wh - passed.delivered_wh - passed.lost_wh;
//! assert!((body.stored_wh(&water) - before_wh - gained_wh).abs() < 1e-8);
//! assert!(water.degc_at(0.01) < 30.0 && water.degc_at(0.9) > 59.0);
//! ```

mod flow;
mod read;
mod rest;
mod steps;

use crate::Water;
use crate::model::{DEFAULT_CONDUCTIVITY_W_PER_M_K, REFERENCE_DEGC};
use crate::shape::Shape;

/// Most layers of a column.
pub const MOST_LAYERS: usize = 64;

/// Slugs in a column at most: one layer is in two parts, at the base and at the top.
const MOST_SLUGS: usize = MOST_LAYERS + 1;

/// Layers where nothing is said.
pub const DEFAULT_LAYERS: u8 = 40;

/// Litres about the inlet that a large draw-off stirs, where nothing is said; methods in use learn 5 to 15 a home
/// (common practice, no source).
pub const DEFAULT_INLET_MIXING_L: f64 = 10.0;

/// Seconds in an hour: turns W s into Wh.
const S_PER_H: f64 = 3600.0;

/// Constants of one cylinder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Water held, litres; at least 1.
    pub volume_l: f64,
    /// Inside height, m; of usual proportions when `None`.
    pub height_m: Option<f64>,
    /// Layers of equal volume, 4 to [`MOST_LAYERS`].
    pub layers: u8,
    /// Standing loss of the whole skin, W/K; not below 0.
    pub standing_loss_w_per_k: f64,
    /// Shares of that loss that leave through fittings at the top and at the base and not through the skin, by its area; each 0 or more,
    /// together at most 1.
    pub fittings: (f64, f64),
    /// Conductivity upwards and downwards of water, wall and slow stirring together, W/(m K); not below 0.
    pub conductivity_w_per_m_k: f64,
    /// Litres above the base that a large draw-off stirs; a small one stirs in proportion to itself. 0 for none.
    pub inlet_mixing_l: f64,
    /// Density and heat capacity.
    pub water: Water,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            volume_l: 200.0,
            height_m: None,
            layers: DEFAULT_LAYERS,
            standing_loss_w_per_k: 1.5,
            fittings: (0.0, 0.0),
            conductivity_w_per_m_k: DEFAULT_CONDUCTIVITY_W_PER_M_K,
            inlet_mixing_l: DEFAULT_INLET_MIXING_L,
            water: Water::Iapws,
        }
    }
}

/// What acts on the cylinder during one interval; a number that is not finite leaves its effect out.
#[derive(Clone, Copy, Debug)]
pub struct Interval<'a> {
    /// Length, s; nothing happens when not above 0.
    pub seconds: f64,
    /// Drawn off, litres as metered in the cold feed; none when not above 0.
    pub drawn_l: f64,
    /// Cold feed, degC.
    pub feed_degc: f64,
    /// Litres that a pump takes from the base and returns at the top.
    pub turned_l: f64,
    /// Heat that they take up on the way, Wh; none without litres.
    pub turned_wh: f64,
    /// Heat from elements and coils.
    pub heats: &'a [Heat],
    /// Temperature around the cylinder, degC.
    pub surroundings_degc: f64,
}

impl Default for Interval<'_> {
    /// Five minutes in which nothing flows or heats; surroundings at 20 degC.
    fn default() -> Self {
        Self {
            seconds: 300.0,
            drawn_l: 0.0,
            feed_degc: 10.0,
            turned_l: 0.0,
            turned_wh: 0.0,
            heats: &[],
            surroundings_degc: 20.0,
        }
    }
}

/// Heat that enters between two heights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Lowest point, volume fraction.
    pub low: f64,
    /// Highest point, volume fraction; half a layer above the lowest at least.
    pub high: f64,
    /// Heat, Wh; not below 0.
    pub wh: f64,
}

/// Heat that crossed the cylinder's skin and ports in an interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Passed {
    /// Left at the top above the cold feed, Wh.
    pub delivered_wh: f64,
    /// Mean temperature of what was drawn, degC; NaN when nothing was.
    pub drawn_degc: f64,
    /// From elements, coils and the pumped loop, Wh.
    pub heated_wh: f64,
    /// Through the skin, Wh; negative when the surroundings are warmer.
    pub lost_wh: f64,
}

/// Water of one cylinder at one instant; copied like a number.
///
/// Slug 0, at the base, fills `fill` of a layer; the next ones fill one layer each; the last fills the rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    degc: [f64; MOST_SLUGS],
    layers: usize,
    /// Above 0, at most 1.
    fill: f64,
}

/// One cylinder's constants, worked out from its [`Settings`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Body {
    layers: usize,
    layer_l: f64,
    layer_wh_per_k: f64,
    reference_kg_per_l: f64,
    mixing_layers: f64,
    /// Of the side of one layer, as a share of its heat capacity, 1/h.
    side_per_h: f64,
    /// Of the end at the base with its fittings, as a share of one layer's heat capacity, 1/h.
    base_per_h: f64,
    /// The same of the end at the top.
    top_per_h: f64,
    /// Between two neighbouring layers, as a share of one layer's heat capacity, 1/h.
    conduction_per_h: f64,
    water: Water,
}

impl Body {
    /// Constants of a cylinder; settings out of range are held to it, NaN becomes the lower end.
    #[must_use]
    pub fn new(settings: &Settings) -> Self {
        let volume_l = settings.volume_l.max(1.0);
        let layers = usize::from(settings.layers.clamp(4, MOST_LAYERS as u8));
        let n = layers as f64;
        let layer_l = volume_l / n;
        let layer_wh_per_k = layer_l * settings.water.wh_per_l_k(REFERENCE_DEGC);
        let shape = Shape::new(volume_l, settings.height_m);
        // three equal parts, top first: the middle one has no end
        let shares = shape.skin_shares(&[5.0 / 6.0, 0.5, 1.0 / 6.0]);
        let loss_per_h = settings.standing_loss_w_per_k.max(0.0) / layer_wh_per_k;
        let top_fittings = settings.fittings.0.clamp(0.0, 1.0);
        let base_fittings = settings.fittings.1.clamp(0.0, 1.0 - top_fittings);
        let skin_per_h = loss_per_h * (1.0 - top_fittings - base_fittings);
        let end_per_h = skin_per_h * (shares[0] - shares[1]);
        let section_m2 = volume_l / 1000.0 / shape.height_m;
        let conduction_w_per_k = settings.conductivity_w_per_m_k.max(0.0) * section_m2 / (shape.height_m / n);
        Self {
            layers,
            layer_l,
            layer_wh_per_k,
            reference_kg_per_l: settings.water.density(REFERENCE_DEGC),
            mixing_layers: settings.inlet_mixing_l.max(0.0) / layer_l,
            side_per_h: skin_per_h * shares[1] * 3.0 / n,
            base_per_h: end_per_h + loss_per_h * base_fittings,
            top_per_h: end_per_h + loss_per_h * top_fittings,
            conduction_per_h: conduction_w_per_k / layer_wh_per_k,
            water: settings.water,
        }
    }

    /// A column at one temperature, degC.
    #[must_use]
    pub fn uniform(&self, degc: f64) -> Column {
        Column { degc: [degc; MOST_SLUGS], layers: self.layers, fill: 1.0 }
    }

    /// A column with the temperature that `degc_at` gives at the middle of each layer (height as a volume fraction).
    ///
    /// What lies below something colder mixes. `None` when a temperature is not finite.
    ///
    /// ```
    /// use drawoff_tank::{Profile, column::{Body, Settings}};
    /// let (profile, temps) = (Profile::new(&[0.75, 0.25]).unwrap(), [60.0, 20.0]);
    /// let water = Body::new(&Settings::default()).column(|height| profile.at(&temps, height)).unwrap();
    /// assert!((water.degc_at(0.5) - 40.0).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn column(&self, degc_at: impl Fn(f64) -> f64) -> Option<Column> {
        let mut column = self.uniform(f64::NAN);
        for (index, degc) in column.degc[..self.layers].iter_mut().enumerate() {
            *degc = degc_at((index as f64 + 0.5) / self.layers as f64);
        }
        column.degc[self.layers] = column.degc[self.layers - 1];
        if !column.slugs().iter().all(|degc| degc.is_finite()) {
            return None;
        }
        column.settle();
        Some(column)
    }

    /// Heat in the water above 0 degC, Wh.
    #[must_use]
    pub fn stored_wh(&self, column: &Column) -> f64 {
        column.layer_kelvins() * self.layer_wh_per_k
    }

    /// Moves the water on by one interval and says what heat crossed skin and ports.
    ///
    /// `stored = heated - delivered - lost` to rounding. Allocates nothing.
    pub fn advance(&self, column: &mut Column, interval: &Interval<'_>) -> Passed {
        let mut passed = Passed { delivered_wh: 0.0, drawn_degc: f64::NAN, heated_wh: 0.0, lost_wh: 0.0 };
        if !(interval.seconds > 0.0 && interval.seconds.is_finite()) {
            return passed;
        }
        let hours = interval.seconds / S_PER_H;
        if interval.drawn_l > 0.0 && interval.drawn_l.is_finite() && interval.feed_degc.is_finite() {
            self.draw(column, interval.drawn_l, interval.feed_degc, &mut passed);
        }
        if interval.turned_l > 0.0 && interval.turned_l.is_finite() && interval.turned_wh.is_finite() {
            passed.heated_wh += self.turn(column, interval.turned_l, interval.turned_wh);
        }
        for heat in interval.heats {
            passed.heated_wh += self.warm(column, heat);
        }
        self.conduct(column, hours);
        if interval.surroundings_degc.is_finite() {
            passed.lost_wh = self.lose(column, interval.surroundings_degc, hours);
        }
        column.settle();
        passed
    }
}

impl Column {
    /// The column as numbers: layers, fill, then the temperatures of the slugs, degC. [`Column::from_numbers`] gives the same column back.
    #[must_use]
    pub fn to_numbers(&self) -> Vec<f64> {
        let mut numbers = vec![self.layers as f64, self.fill];
        numbers.extend(self.degc);
        numbers
    }

    /// A column from its numbers; `None` when they are not those of one.
    #[must_use]
    pub fn from_numbers(numbers: &[f64]) -> Option<Self> {
        let (&layers, rest) = numbers.split_first()?;
        let (&fill, degc) = rest.split_first()?;
        let whole = layers as usize;
        let is_one =
            (1..=MOST_LAYERS).contains(&whole) && whole as f64 == layers && fill > 0.0 && fill <= 1.0;
        is_one.then_some(Self { degc: degc.try_into().ok()?, layers: whole, fill })
    }

    /// Temperatures of the slugs, base first.
    fn slugs(&self) -> &[f64] {
        &self.degc[..=self.layers]
    }

    /// Sum over slugs of layers times degC.
    fn layer_kelvins(&self) -> f64 {
        let last = self.layers;
        let whole: f64 = self.degc[1..last].iter().sum();
        self.fill * self.degc[0] + whole + (1.0 - self.fill) * self.degc[last]
    }

    /// Layers that a slug fills.
    fn size(&self, index: usize) -> f64 {
        match index {
            0 => self.fill,
            _ if index == self.layers => 1.0 - self.fill,
            _ => 1.0,
        }
    }

    /// Lower edge of a slug, layers above the base.
    fn base_of(&self, index: usize) -> f64 {
        if index == 0 { 0.0 } else { self.fill + (index - 1) as f64 }
    }

    /// The slug that holds a level, layers above the base; the level itself belongs to the one above.
    fn index_of(&self, level: f64) -> usize {
        if level < self.fill { 0 } else { (1 + (level - self.fill) as usize).min(self.layers) }
    }

    /// Sum of layers times degC between two levels, layers above the base.
    fn sum_between(&self, low: f64, high: f64) -> f64 {
        let mut index = self.index_of(low);
        let mut sum = 0.0;
        while index <= self.layers {
            let base = self.base_of(index);
            if base >= high {
                break;
            }
            let part = (base + self.size(index)).min(high) - base.max(low);
            sum += part.max(0.0) * self.degc[index];
            index += 1;
        }
        sum
    }
}
