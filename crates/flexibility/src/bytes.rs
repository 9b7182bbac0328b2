//! A counted home as bytes, so that one process can work it out and another bring homes together with nothing changed.

use crate::battery::{Envelope, HORIZON};
use crate::gather::{BATTERY_STARTS, Counted};
use crate::trial::{Limit, Moved, Trials};

const LIMITS: [Limit; 5] = [Limit::Moved, Limit::Nothing, Limit::Comfort, Limit::Sun, Limit::Silent];

impl Counted {
    /// All of it, little end first; only the same version reads it again.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let trials = &self.trials;
        let mut out = Vec::new();
        let mut whole = |n: usize| out.extend(u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes());
        whole(trials.days());
        whole(self.allowed);
        for event in trials.events() {
            out.push(event.limit as u8);
            for value in
                [event.wh, event.model_wh, event.back_wh, event.loss_wh, event.left_wh, event.short_wh]
            {
                out.extend(value.to_le_bytes());
            }
        }
        for numbers in [&trials.metered_wh, &trials.after_wh] {
            out.extend(u32::try_from(numbers.len()).unwrap_or(u32::MAX).to_le_bytes());
            numbers.iter().for_each(|v| out.extend(v.to_le_bytes()));
        }
        for envelope in self.envelopes.iter().flatten() {
            out.push(u8::from(envelope.is_some()));
            let Some(e) = envelope else { continue };
            let bounds = [e.least_kw, e.most_kw, e.low_kwh, e.high_kwh];
            bounds.iter().flatten().chain([&e.kept_per_h]).for_each(|v| out.extend(v.to_le_bytes()));
        }
        [self.heater_kw, self.set_point_degc].iter().for_each(|v| out.extend(v.to_le_bytes()));
        out
    }

    /// The same home again; `None` for bytes that [`Counted::to_bytes`] of this version does not write.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let mut bytes = Bytes(bytes);
        let (days, allowed) = (bytes.whole()?, bytes.whole()?);
        let events = (0..Trials::events_of(days)?).map(|_| bytes.event()).collect::<Option<Vec<Moved>>>()?;
        let metered_wh = bytes.singles()?;
        let after_wh = bytes.singles()?;
        let mut envelopes = [[None; BATTERY_STARTS.len()]; 2];
        for slot in envelopes.iter_mut().flatten() {
            *slot = match bytes.take::<1>()? {
                [0] => None,
                [1] => Some(bytes.envelope()?),
                _ => return None,
            };
        }
        let (heater_kw, set_point_degc) = (bytes.double()?, bytes.double()?);
        let trials = Trials::of_events(days, events, metered_wh, after_wh)?;
        bytes.0.is_empty().then_some(Self { trials, envelopes, heater_kw, set_point_degc, allowed })
    }
}

/// What is left to read; each number is `None` where too little is.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (first, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*first)
    }

    fn whole(&mut self) -> Option<usize> {
        usize::try_from(u32::from_le_bytes(self.take()?)).ok()
    }

    fn single(&mut self) -> Option<f32> {
        Some(f32::from_le_bytes(self.take()?))
    }

    fn double(&mut self) -> Option<f64> {
        Some(f64::from_le_bytes(self.take()?))
    }

    /// A list of numbers with its length before it.
    fn singles(&mut self) -> Option<Vec<f32>> {
        let length = self.whole()?;
        // No room is made for more numbers than there are bytes.
        if length.checked_mul(4)? > self.0.len() {
            return None;
        }
        (0..length).map(|_| self.single()).collect()
    }

    fn event(&mut self) -> Option<Moved> {
        let [limit] = self.take()?;
        Some(Moved {
            limit: *LIMITS.get(usize::from(limit))?,
            wh: self.single()?,
            model_wh: self.single()?,
            back_wh: self.single()?,
            loss_wh: self.single()?,
            left_wh: self.single()?,
            short_wh: self.single()?,
        })
    }

    fn envelope(&mut self) -> Option<Envelope> {
        let mut bounds = [[0.0; HORIZON]; 4];
        for value in bounds.iter_mut().flatten() {
            *value = self.double()?;
        }
        let [least_kw, most_kw, low_kwh, high_kwh] = bounds;
        Some(Envelope { least_kw, most_kw, low_kwh, high_kwh, kept_per_h: self.double()? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::{AFTER_LENGTH, SLOTS};

    fn counted() -> Counted {
        let days = 3;
        let events = (0..Trials::events_of(days).unwrap())
            .map(|i| Moved { limit: LIMITS[i % 5], wh: i as f32, short_wh: f32::NAN, ..Moved::default() })
            .collect();
        let metered = (0..days * SLOTS).map(|i| i as f32 / 3.0).collect();
        let mut envelopes = [[None; BATTERY_STARTS.len()]; 2];
        envelopes[1][4] = Some(Envelope {
            least_kw: [-0.1; HORIZON],
            most_kw: [1.0 / 3.0; HORIZON],
            low_kwh: [-2.0; HORIZON],
            high_kwh: [4.0; HORIZON],
            kept_per_h: 0.99,
        });
        Counted {
            trials: Trials::of_events(days, events, metered, vec![0.5; AFTER_LENGTH]).unwrap(),
            envelopes,
            heater_kw: 2.9,
            set_point_degc: 60.1,
            allowed: 17,
        }
    }

    #[test]
    fn a_home_comes_back_as_it_went() {
        let bytes = counted().to_bytes();
        let again = Counted::from_bytes(&bytes).unwrap();
        assert_eq!(again.to_bytes(), bytes);
        assert_eq!(again.envelopes, counted().envelopes);
        assert_eq!(again.trials.events()[7].limit, LIMITS[2]);
    }

    #[test]
    fn bytes_that_are_cut_or_changed_are_no_home() {
        let bytes = counted().to_bytes();
        for length in [0, 3, 8, bytes.len() / 2, bytes.len() - 1] {
            assert!(Counted::from_bytes(&bytes[..length]).is_none(), "{length}");
        }
        let longer = [bytes.as_slice(), &[0]].concat();
        assert!(Counted::from_bytes(&longer).is_none());
        let mut other = bytes.clone();
        other[8] = 9; // no such limit
        assert!(Counted::from_bytes(&other).is_none());
        let mut many = bytes;
        many[..4].copy_from_slice(&u32::MAX.to_le_bytes());
        assert!(Counted::from_bytes(&many).is_none());
    }
}
