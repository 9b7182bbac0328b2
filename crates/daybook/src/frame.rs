//! Instants of one home: the used values of its rows, one entry an instant, NaN where nothing is used.

use drawoff_contract::{Channel, HomeRows};

/// Used values by instant. The first `context` instants belong to the day before.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Frame {
    pub(crate) time_ms: Vec<i64>,
    /// Probe values, instant-major, top first.
    pub(crate) probes: Vec<f64>,
    pub(crate) width: usize,
    pub(crate) power: [Vec<f64>; 2],
    pub(crate) call: [Vec<f64>; 2],
    pub(crate) register: Vec<f64>,
    pub(crate) surroundings: Vec<f64>,
    /// Flow out of the top as metered, l/min.
    pub(crate) flow: Vec<f64>,
    /// Cold feed, degC.
    pub(crate) inlet: Vec<f64>,
    /// Power sent to the grid, W.
    pub(crate) export: Vec<f64>,
    /// Whether a circulating pump runs, 0 or 1.
    pub(crate) pump: Vec<f64>,
    /// Flow and return of coil or plate exchanger, degC.
    pub(crate) exchanger: [Vec<f64>; 2],
    pub(crate) context: usize,
}

/// How much of the day before is kept: long enough for water and wall to settle after heating.
const CONTEXT_MS: i64 = 75 * 60_000;

impl Frame {
    pub(crate) fn len(&self) -> usize {
        self.time_ms.len()
    }

    pub(crate) fn at(&self, i: usize) -> &[f64] {
        &self.probes[i * self.width..(i + 1) * self.width]
    }

    /// Appends the rows of one day; rows of equal time become one instant.
    pub(crate) fn append(&mut self, rows: &HomeRows) {
        let series = |channel| rows.get(channel);
        let width = self.width;
        let probe_series: Vec<_> =
            (0..width).map(|p| series(Channel::Probe(u8::try_from(p).unwrap_or(u8::MAX)))).collect();
        for i in 0..rows.len() {
            let fresh = self.len() == self.context || self.time_ms.last() != Some(&rows.time_ms[i]);
            if fresh {
                self.time_ms.push(rows.time_ms[i]);
                self.probes.extend(std::iter::repeat_n(f64::NAN, width));
                for column in self.power.iter_mut().chain(&mut self.call) {
                    column.push(f64::NAN);
                }
                self.register.push(f64::NAN);
                self.surroundings.push(f64::NAN);
                self.flow.push(f64::NAN);
                self.inlet.push(f64::NAN);
                self.export.push(f64::NAN);
                self.pump.push(f64::NAN);
                for column in &mut self.exchanger {
                    column.push(f64::NAN);
                }
            }
            let last = self.len() - 1;
            let put = |slot: &mut f64, value: f64| {
                if !value.is_nan() {
                    *slot = value;
                }
            };
            for (p, s) in probe_series.iter().enumerate() {
                if let Some(s) = s {
                    put(&mut self.probes[last * width + p], s.used(i));
                }
            }
            for element in 0..2_u8 {
                let e = usize::from(element);
                put(&mut self.power[e][last], rows.at(Channel::Power(element), i));
                put(&mut self.call[e][last], rows.at(Channel::Call(element), i));
            }
            put(&mut self.register[last], rows.at(Channel::Register, i));
            put(&mut self.surroundings[last], rows.at(Channel::Surroundings, i));
            put(&mut self.flow[last], rows.at(Channel::Flow, i));
            put(&mut self.inlet[last], rows.at(Channel::Inlet, i));
            put(&mut self.export[last], rows.at(Channel::Export, i));
            put(&mut self.pump[last], rows.at(Channel::Pump, i));
            put(&mut self.exchanger[0][last], rows.at(Channel::CoilFlow, i));
            put(&mut self.exchanger[1][last], rows.at(Channel::CoilReturn, i));
        }
        self.drop_empty();
    }

    /// Drops instants at which nothing is used: they carry no knowledge, only a time.
    fn drop_empty(&mut self) {
        let empty = |f: &Self, i: usize| {
            f.at(i).iter().all(|v| v.is_nan())
                && f.register[i].is_nan()
                && f.power.iter().chain(&f.call).all(|c| c[i].is_nan())
        };
        if (self.context..self.len()).any(|i| empty(self, i)) {
            let keep: Vec<usize> = (0..self.len()).filter(|&i| i < self.context || !empty(self, i)).collect();
            *self = self.pick(&keep, self.context);
        }
    }

    fn pick(&self, keep: &[usize], context: usize) -> Self {
        let column = |c: &Vec<f64>| keep.iter().map(|&i| c[i]).collect::<Vec<_>>();
        Self {
            time_ms: keep.iter().map(|&i| self.time_ms[i]).collect(),
            probes: keep.iter().flat_map(|&i| self.at(i).iter().copied()).collect(),
            width: self.width,
            power: [column(&self.power[0]), column(&self.power[1])],
            call: [column(&self.call[0]), column(&self.call[1])],
            register: column(&self.register),
            surroundings: column(&self.surroundings),
            flow: column(&self.flow),
            inlet: column(&self.inlet),
            export: column(&self.export),
            pump: column(&self.pump),
            exchanger: [column(&self.exchanger[0]), column(&self.exchanger[1])],
            context,
        }
    }

    /// The tail that the next day starts from.
    pub(crate) fn tail(&self) -> Self {
        let Some(&end) = self.time_ms.last() else { return Self { width: self.width, ..Self::default() } };
        let keep: Vec<usize> = (0..self.len()).filter(|&i| self.time_ms[i] > end - CONTEXT_MS).collect();
        self.pick(&keep, keep.len())
    }

    /// Usual interval between stamps, ms: the shortest common one of this day's, or `otherwise` where there are too few.
    pub(crate) fn cadence_ms(&self, otherwise: i64) -> i64 {
        let mut steps: Vec<i64> = self.time_ms.windows(2).map(|w| w[1] - w[0]).collect();
        if steps.len() < 4 {
            return otherwise;
        }
        steps.sort_unstable();
        // The median grows as rows are lost; the usual interval stays the shortest that is common. A little less than
        // the median is jitter of the stamps.
        let (short, middle) = (steps[steps.len() / 10], steps[steps.len() / 2]);
        if short * 100 > middle * 80 { middle.max(1000) } else { short.max(1000) }
    }
}
