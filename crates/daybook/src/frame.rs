//! Instants of one home: the used values of its rows, one entry an instant, NaN where nothing is used.

use drawoff_contract::{Channel, HomeRows, Mask};

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

fn used((value, mask): (&f64, &Mask)) -> f64 {
    if *mask == Mask::Used { *value } else { f64::NAN }
}

impl Frame {
    pub(crate) fn len(&self) -> usize {
        self.time_ms.len()
    }

    pub(crate) fn at(&self, i: usize) -> &[f64] {
        &self.probes[i * self.width..(i + 1) * self.width]
    }

    /// The rows of one day after the tail of the day before.
    pub(crate) fn of_day(tail: &Self, rows: &HomeRows, width: usize) -> Self {
        let mut frame = tail.copy(rows.len());
        (frame.width, frame.context) = (width, tail.len());
        frame.append(rows);
        frame
    }

    /// A copy with room for so many more instants.
    fn copy(&self, more: usize) -> Self {
        let column = |c: &[f64], more: usize| {
            let mut copy = Vec::with_capacity(c.len() + more);
            copy.extend_from_slice(c);
            copy
        };
        let mut time_ms = Vec::with_capacity(self.len() + more);
        time_ms.extend_from_slice(&self.time_ms);
        Self {
            time_ms,
            probes: column(&self.probes, more * self.width),
            width: self.width,
            power: self.power.each_ref().map(|c| column(c, more)),
            call: self.call.each_ref().map(|c| column(c, more)),
            register: column(&self.register, more),
            surroundings: column(&self.surroundings, more),
            flow: column(&self.flow, more),
            inlet: column(&self.inlet, more),
            export: column(&self.export, more),
            pump: column(&self.pump, more),
            exchanger: self.exchanger.each_ref().map(|c| column(c, more)),
            context: self.context,
        }
    }

    /// Appends the rows of one day; rows of equal time become one instant, at which the last used value of a channel counts.
    fn append(&mut self, rows: &HomeRows) {
        let first = self.len();
        let own = rows.time_ms.windows(2).all(|w| w[0] != w[1]);
        // The instant of each row, from the first new one; empty where each row is an instant of its own.
        let mut instants: Vec<usize> = Vec::new();
        if own {
            self.time_ms.extend_from_slice(&rows.time_ms);
        } else {
            for (i, &time) in rows.time_ms.iter().enumerate() {
                if i == 0 || rows.time_ms[i - 1] != time {
                    self.time_ms.push(time);
                }
                instants.push(self.len() - first - 1);
            }
        }
        let added = self.len() - first;
        let fill = |column: &mut Vec<f64>, channel: Channel| {
            let series = rows.get(channel);
            match series {
                Some(s) if own => column.extend(s.value.iter().zip(&s.mask).map(used)),
                _ => column.resize(column.len() + added, f64::NAN),
            }
            if let Some(s) = series.filter(|_| !own) {
                let new = &mut column[first..];
                instants.iter().zip(s.value.iter().zip(&s.mask).map(used)).for_each(|(&at, value)| {
                    if !value.is_nan() {
                        new[at] = value;
                    }
                });
            }
        };
        fill(&mut self.power[0], Channel::Power(0));
        fill(&mut self.power[1], Channel::Power(1));
        fill(&mut self.call[0], Channel::Call(0));
        fill(&mut self.call[1], Channel::Call(1));
        fill(&mut self.register, Channel::Register);
        fill(&mut self.surroundings, Channel::Surroundings);
        fill(&mut self.flow, Channel::Flow);
        fill(&mut self.inlet, Channel::Inlet);
        fill(&mut self.export, Channel::Export);
        fill(&mut self.pump, Channel::Pump);
        fill(&mut self.exchanger[0], Channel::CoilFlow);
        fill(&mut self.exchanger[1], Channel::CoilReturn);
        self.append_probes(rows, first, own, &instants);
        self.drop_empty();
    }

    /// Probes of the new instants, which begin at instant `first`.
    fn append_probes(&mut self, rows: &HomeRows, first: usize, own: bool, instants: &[usize]) {
        let width = self.width;
        self.probes.resize(self.len() * width, f64::NAN);
        let new = &mut self.probes[first * width..];
        for p in 0..width {
            let Some(s) = rows.get(Channel::Probe(u8::try_from(p).unwrap_or(u8::MAX))) else { continue };
            let values = s.value.iter().zip(&s.mask).map(used);
            if own {
                for (row, value) in new.chunks_exact_mut(width).zip(values) {
                    row[p] = value;
                }
                continue;
            }
            for (&at, value) in instants.iter().zip(values) {
                if !value.is_nan() {
                    new[at * width + p] = value;
                }
            }
        }
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
        if steps.iter().all(|&s| s == steps[0]) {
            return steps[0].max(1000);
        }
        steps.sort_unstable();
        // The median grows as rows are lost; the usual interval stays the shortest that is common. A little less than
        // the median is jitter of the stamps.
        let (short, middle) = (steps[steps.len() / 10], steps[steps.len() / 2]);
        if short * 100 > middle * 80 { middle.max(1000) } else { short.max(1000) }
    }
}
