//! Half-hours of energy in money and greenhouse gases: whole numbers, rounded once a half-hour.

use drawoff_contract::money::cost_micro;

use crate::tariff::Price;

/// What a kWh costs and emits in one half-hour; `None` where it is not known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rate {
    /// Prices, millionths a kWh.
    pub price: Option<Price>,
    /// Average intensity of the grid, mg/kWh.
    pub average: Option<i64>,
    /// Marginal intensity of the grid, mg/kWh.
    pub marginal: Option<i64>,
}

/// Money and gases of some energy; `None` where a half-hour of it could not be priced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bill {
    /// Millionths of the currency.
    pub money: Option<i64>,
    /// mg by the average intensity.
    pub average: Option<i64>,
    /// mg by the marginal intensity.
    pub marginal: Option<i64>,
}

impl Bill {
    /// Nothing.
    pub const ZERO: Self = Self { money: Some(0), average: Some(0), marginal: Some(0) };

    /// Adds; what is not known stays so.
    pub fn add(&mut self, other: Self) {
        let sum = |a: Option<i64>, b: Option<i64>| Some(a?.saturating_add(b?));
        self.money = sum(self.money, other.money);
        self.average = sum(self.average, other.average);
        self.marginal = sum(self.marginal, other.marginal);
    }

    /// This less another.
    #[must_use]
    pub fn less(self, other: Self) -> Self {
        let less = |a: Option<i64>, b: Option<i64>| Some(a?.saturating_sub(b?));
        Self {
            money: less(self.money, other.money),
            average: less(self.average, other.average),
            marginal: less(self.marginal, other.marginal),
        }
    }
}

/// What is bought in one half-hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Carrier {
    /// Electricity at the tariff.
    Grid,
    /// Fuel at one price (millionths a kWh) and one intensity (mg/kWh).
    Fuel {
        /// Price.
        price: i64,
        /// Greenhouse gases.
        mg_per_kwh: i64,
    },
}

/// Bill of one half-hour. Of `wh`, `surplus_wh` would have been sent out: it costs the payment forgone, emits nothing by the average
/// intensity, and as much as the grid's by the marginal one.
///
/// ```
/// use drawoff_savings::pricing::{Carrier, Rate, bill};
/// use drawoff_savings::tariff::Price;
/// let rate = Rate { price: Some(Price { import: 300_000, export: 40_000 }), average: Some(200_000), marginal: None };
/// let one = bill(Carrier::Grid, 1500, 500, &rate);
/// assert_eq!(one.money, Some(320_000)); // 1 kWh at 0.30 and 0.5 kWh at 0.04
/// assert_eq!((one.average, one.marginal), (Some(200_000), None));
/// ```
#[must_use]
pub fn bill(carrier: Carrier, wh: i64, surplus_wh: i64, rate: &Rate) -> Bill {
    let bought = wh - surplus_wh;
    match carrier {
        Carrier::Grid => Bill {
            money: rate.price.map(|p| cost_micro(bought, p.import) + cost_micro(surplus_wh, p.export)),
            average: rate.average.map(|mg| cost_micro(bought, mg)),
            marginal: rate.marginal.map(|mg| cost_micro(wh, mg)),
        },
        Carrier::Fuel { price, mg_per_kwh } => Bill {
            money: rate.price.map(|_| cost_micro(wh, price)),
            average: rate.average.map(|_| cost_micro(wh, mg_per_kwh)),
            marginal: rate.marginal.map(|_| cost_micro(wh, mg_per_kwh)),
        },
    }
}
