//! Whether to ring before driving: what a telephone call can tell, against what a visit costs.
//!
//! With probability p of a fault whose mending is worth v a year, a visit that mends the share m and costs c brings p v m - c. A call
//! that costs t and settles the question with probability s brings
//!
//! s p (r v + (1 - r)(v m - c)) + (1 - s) max(p v m - c, 0) - t,
//!
//! where r is the share that is mended on the telephone: a switch, a timer, a set point. The shares are common practice, no source.

use drawoff_contract::{Fault, FaultClass};

use drawoff_contract::money::share_micro;

/// What can be learned on the telephone of one kind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Telephone {
    /// Share of calls that settle whether it is so.
    pub settles: f64,
    /// Share of those where it is so that are mended on the telephone.
    pub mends: f64,
    /// What to ask.
    pub ask: &'static str,
}

/// What nobody on the telephone is asked to do.
pub const RING_CAUTION: &str = "Ask nobody to open a cover, reset a cut-out, touch hot pipes or turn a valve of an unvented cylinder; \
    warn of scalding water wherever it may be hotter than usual.";

/// What the telephone can tell of a kind; `None` where only someone on site can.
#[must_use]
pub fn telephone(fault: Fault) -> Option<Telephone> {
    let (settles, mends, ask) = match fault {
        Fault::DearHours => (
            0.7,
            0.6,
            "Does the boost switch stand on? Does the timer show the right time? Has the tariff changed?",
        ),
        Fault::RunsOut => (
            0.8,
            0.3,
            "Who lives there now? At what hour does the water run cold? Is the boost used? Has the shower been changed?",
        ),
        Fault::HygieneLow => (
            0.6,
            0.4,
            "Was the set point turned down, or the hygiene heating switched off? Is anyone in the home frail?",
        ),
        Fault::ScaldRisk => (
            0.7,
            0.4,
            "Warn first. Are there small or frail people? Do the taps have mixing valves? Can the set point be turned down \
             at the outside control?",
        ),
        Fault::SurplusMissed => (
            0.5,
            0.4,
            "Is the diverting control switched on, and is its lamp lit? Was work done at the meter lately?",
        ),
        Fault::BackupHeating => (
            0.4,
            0.3,
            "Does the heat pump's display show a fault or a boost? Was the element's switch put on in a cold spell?",
        ),
        Fault::ElementOpen => (
            0.6,
            0.2,
            "Is there hot water in the morning? Is the cylinder's switch on, and has a breaker tripped?",
        ),
        Fault::ThermostatCold => {
            (0.4, 0.2, "Is the water only lukewarm? Was the dial at the outside control turned down?")
        }
        Fault::LeakSteady => (
            0.5,
            0.05,
            "With all taps shut, does the water meter still move? Does a hot tap or the overflow outside drip?",
        ),
        Fault::PumpFailed => (0.3, 0.1, "Is there hot water at all? Does the control show a fault?"),
        _ => return None,
    };
    Some(Telephone { settles, mends, ask })
}

/// What a case is worth, millionths.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stakes {
    pub(crate) probability: f64,
    /// Yearly value of mending it.
    pub(crate) value: i64,
    /// Share of right visits that mend it.
    pub(crate) fix: f64,
    pub(crate) visit_cost: i64,
    pub(crate) call_cost: i64,
}

impl Stakes {
    pub(crate) fn of_visit(&self) -> i64 {
        share_micro(self.value, self.probability * self.fix).saturating_sub(self.visit_cost)
    }

    /// Expected value of ringing first.
    pub(crate) fn of_call(&self, telephone: &Telephone) -> i64 {
        let Telephone { settles, mends, .. } = *telephone;
        let when_true = share_micro(self.value, self.fix).saturating_sub(self.visit_cost).max(0);
        let settled = share_micro(self.value, settles * self.probability * mends)
            .saturating_add(share_micro(when_true, settles * self.probability * (1.0 - mends)));
        let not_settled = share_micro(self.of_visit().max(0), 1.0 - settles);
        settled.saturating_add(not_settled).saturating_sub(self.call_cost)
    }
}

/// From this probability on a fault that is not of service is driven to: the call would only tell what is known already.
const SURE_ENOUGH: f64 = 0.9;

/// Whether to ring first, and what that is worth: how a home is served always, other kinds while they are doubtful and the call is
/// worth more than the visit. What can hurt is never put off.
pub(crate) fn ring_first(fault: Fault, stakes: &Stakes) -> Option<(Telephone, i64)> {
    let telephone = telephone(fault).filter(|_| !fault.is_safety())?;
    let worth = stakes.of_call(&telephone);
    let better = worth > stakes.of_visit() && worth > 0 && stakes.probability < SURE_ENOUGH;
    (fault.class() == FaultClass::Service || better).then_some((telephone, worth))
}

#[cfg(test)]
mod tests {
    use super::*;

    const MICRO: i64 = 1_000_000;

    fn stakes(probability: f64) -> Stakes {
        Stakes { probability, value: 300 * MICRO, fix: 1.0, visit_cost: 90 * MICRO, call_cost: 8 * MICRO }
    }

    #[test]
    fn a_call_by_hand() {
        let half = Telephone { settles: 0.5, mends: 0.2, ask: "" };
        // 0.5 x 0.6 x (0.2 x 300 + 0.8 x 210) + 0.5 x (180 - 90) - 8 = 68.4 + 45 - 8 = 105.4; the visit brings 90.
        assert_eq!(stakes(0.6).of_call(&half), 105_400_000);
        assert_eq!(stakes(0.6).of_visit(), 90 * MICRO);
    }

    #[test]
    fn doubt_rings_and_certainty_drives() {
        assert!(ring_first(Fault::LeakSteady, &stakes(0.6)).is_some());
        assert!(ring_first(Fault::LeakSteady, &stakes(0.99)).is_none());
        assert!(ring_first(Fault::SensorStuck, &stakes(0.6)).is_none());
        assert!(ring_first(Fault::StuckOn, &stakes(0.2)).is_none());
        assert!(ring_first(Fault::RunsOut, &stakes(1.0)).is_some());
    }

    #[test]
    fn every_question_of_service_is_asked_by_telephone() {
        for &fault in Fault::ALL {
            let telephone = telephone(fault);
            assert!(fault.class() != FaultClass::Service || telephone.is_some(), "{fault:?}");
            if let Some(t) = telephone {
                assert!(
                    (0.0..=1.0).contains(&t.settles)
                        && (0.0..=1.0).contains(&t.mends)
                        && t.ask.ends_with(['?', '.'])
                );
                assert!(!t.ask.contains("  "), "{}", t.ask);
            }
        }
    }
}
