//! The way of the data: readings of each home to daybook, daybook to homes, homes to findings.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use drawoff_contract::habit_tables::GroupRow;
use drawoff_contract::results::{CoolingRow, DayRow, DrawOffRow, FindingRow, HomeRow};
use drawoff_contract::{ContractError, Cylinder, Fault, HomeRows, Outcome};
use drawoff_daybook::{Machine, Notes, Setup};
use drawoff_faults::probes::{Probes, sound_probes};
use drawoff_faults::{Context, assess};
use drawoff_homes::classes::{FleetClasses, HomeDraws};
use drawoff_homes::habits::{
    FleetEmptyDays, FleetHabits, HabitInput, Habits, HomeHabits, HomeUse, learnt_from,
};
use drawoff_homes::shrink::{Measured, measured, report_fleet};
use drawoff_homes::{FleetPriors, HomeNotes, HomeReading, read_home};
use drawoff_store::in_turn;
use drawoff_tank::water::Water;

/// The daybook of a home, or what the register lacks for one.
#[derive(Clone)]
pub(crate) struct HomeDaybook<'a> {
    pub(crate) cylinder: &'a Cylinder,
    pub(crate) notes: Result<Notes, &'static str>,
}

/// Reduces the rows of one home; `files` is the number of input files that they may come from.
pub(crate) fn reduce(
    cylinder: &Cylinder,
    rows: &HomeRows,
    files: usize,
    water: Water,
) -> Result<Notes, &'static str> {
    let setup =
        Setup::new(cylinder, drawoff_daybook::Settings { water, ..drawoff_daybook::Settings::default() })?;
    let mut machine = Machine::new(setup, files);
    machine.push(rows);
    Ok(machine.finish())
}

/// Everything after the daybook, in memory.
#[derive(Default)]
pub(crate) struct Assessed {
    pub(crate) readings: Vec<HomeReading>,
    pub(crate) findings: Vec<FindingRow>,
    pub(crate) habits: Habits,
}

/// What to work out beside the homes themselves.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wanted {
    pub(crate) faults: bool,
    /// All habits; otherwise empty days only, which take a small part of the time.
    pub(crate) habits: bool,
}

/// What a daybook holds, or nothing where there is none.
pub(crate) fn notes_of<'a>(daybook: &'a HomeDaybook<'_>, empty: &'a Notes) -> HomeNotes<'a> {
    let n = daybook.notes.as_ref().unwrap_or(empty);
    HomeNotes { cylinder: daybook.cylinder, days: &n.days, spells: &n.spells, draws: &n.draws }
}

/// What the homes of a fleet tell each other.
pub(crate) fn priors(daybooks: &[HomeDaybook<'_>]) -> FleetPriors {
    let empty = Notes::default();
    FleetPriors::new(&daybooks.iter().map(|d| notes_of(d, &empty)).collect::<Vec<_>>())
}

/// Reads one home and, if wanted, assesses its faults.
pub(crate) fn read_one(
    daybook: &HomeDaybook<'_>,
    priors: &FleetPriors,
    settings: drawoff_homes::Settings,
    faults: bool,
) -> (HomeReading, Vec<FindingRow>) {
    let empty = Notes::default();
    let n = notes_of(daybook, &empty);
    let cold = priors.fleet_cold_feed(n.days);
    let probes = n.cylinder.probe_heights.len();
    let sound = sound_probes(Probes { days: n.days, probes, cold_degc: &cold });
    let reading = read_home(n, priors, &sound, settings);
    let findings = match &daybook.notes {
        _ if !faults => Vec::new(),
        Ok(notes) if !notes.days.is_empty() => {
            let ctx = Context {
                cylinder: n.cylinder,
                days: n.days,
                spells: n.spells,
                draws: n.draws,
                reading: &reading,
            };
            assess(&ctx).iter().map(|a| a.row(&n.cylinder.home)).collect()
        }
        Ok(_) => unassessed(&n.cylinder.home, Outcome::TooLittleData, "readings"),
        Err(missing) => unassessed(&n.cylinder.home, Outcome::NotAssessed, missing),
    };
    (reading, findings)
}

/// Which homes of a fleet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Which {
    All,
    /// Those that the fleet is learnt from.
    Sample,
}

/// Some homes with their places in the fleet.
pub(crate) type Piece<'a> = Vec<(usize, Cow<'a, HomeDaybook<'a>>)>;

/// The daybooks of a fleet, in memory or not; homes are numbered in the order of their identifiers.
pub(crate) trait Daybooks: Sync {
    fn cylinder(&self, home: usize) -> &Cylinder;
    /// Number of pieces that the homes are read in.
    fn pieces(&self, which: Which) -> usize;
    /// The homes of a piece, in order; pieces are in order too.
    fn homes_of(&self, which: Which, piece: usize) -> Vec<usize>;
    /// The daybooks of a piece.
    fn piece(&self, which: Which, piece: usize) -> Result<Piece<'_>, ContractError>;
}

/// Homes of a piece in memory.
const HOMES_A_PIECE: usize = 8;

impl Daybooks for &[HomeDaybook<'_>] {
    fn cylinder(&self, home: usize) -> &Cylinder {
        self[home].cylinder
    }

    fn pieces(&self, which: Which) -> usize {
        let homes = match which {
            Which::All => self.len(),
            Which::Sample => learnt_from(self.len()).len(),
        };
        homes.div_ceil(HOMES_A_PIECE)
    }

    fn homes_of(&self, which: Which, piece: usize) -> Vec<usize> {
        let homes = match which {
            Which::All => (0..self.len()).collect(),
            Which::Sample => learnt_from(self.len()),
        };
        homes.into_iter().skip(piece * HOMES_A_PIECE).take(HOMES_A_PIECE).collect()
    }

    fn piece(&self, which: Which, piece: usize) -> Result<Piece<'_>, ContractError> {
        Ok(self.homes_of(which, piece).into_iter().map(|i| (i, Cow::Borrowed(&self[i]))).collect())
    }
}

/// One home, read and assessed as far as it can be without its fleet's habits.
pub(crate) struct Read {
    reading: HomeReading,
    findings: Vec<FindingRow>,
    habits: HomeUse,
    draws: HomeDraws,
}

/// One home with all that is said of it; what the fleet's losses say of its own is added by [`report_fleet`].
pub(crate) struct HomeResults<T = ()> {
    pub(crate) reading: HomeReading,
    pub(crate) measured: Option<Measured>,
    pub(crate) findings: Vec<FindingRow>,
    pub(crate) habits: HomeHabits,
    /// What the job works out besides.
    pub(crate) more: Option<T>,
}

/// One home as rows of the tables of a run.
pub(crate) struct HomeTables {
    pub(crate) row: HomeRow,
    pub(crate) measured: Option<Measured>,
    pub(crate) findings: Vec<FindingRow>,
    pub(crate) days: Vec<DayRow>,
    pub(crate) draw_offs: Vec<DrawOffRow>,
    pub(crate) cooling: Vec<CoolingRow>,
    pub(crate) habits: HomeHabits,
}

impl<T> HomeResults<T> {
    /// What of it is written.
    pub(crate) fn into_tables(self) -> HomeTables {
        HomeTables {
            row: self.reading.row,
            measured: self.measured,
            findings: self.findings,
            days: self.reading.days.rows,
            draw_offs: self.reading.days.draws,
            cooling: self.reading.cooling,
            habits: self.habits,
        }
    }
}

/// What a job works out of each home besides, on any thread.
pub(crate) type More<'a, T> = &'a (dyn Fn(HomeNotes<'_>, &HomeReading) -> T + Sync);

/// Reads every home from its daybook and gives it to `take`, in order; what is not wanted is empty. The rows of the groups of homes
/// come at the end.
///
/// The fleet is learnt from some of its homes (see [`learnt_from`]), so that memory does not grow with it.
///
/// # Errors
/// When a daybook cannot be read back, and what `take` gives.
pub(crate) fn read_each<T: Send>(
    daybooks: &dyn Daybooks,
    priors: &FleetPriors,
    settings: drawoff_homes::Settings,
    wanted: Wanted,
    more: Option<More<'_, T>>,
    take: &mut (dyn FnMut(HomeResults<T>) -> Result<(), ContractError> + Send),
) -> Result<Vec<GroupRow>, ContractError> {
    let read = |daybook: &HomeDaybook<'_>| Read::of(daybook, priors, settings, wanted);
    let (learnt, fleet) = learn(daybooks, priors, settings, wanted)?;
    let learnt = Mutex::new(learnt);
    let finish = |home: usize, read: Read| fleet.finish(read, daybooks.cylinder(home));
    let make = |piece: usize| -> Result<Vec<HomeResults<T>>, ContractError> {
        let homes = daybooks.homes_of(Which::All, piece);
        let mut known: BTreeMap<usize, Read> = {
            let mut learnt = learnt.lock().unwrap_or_else(PoisonError::into_inner);
            homes.iter().filter_map(|i| Some((*i, learnt.remove(i)?))).collect()
        };
        let daybooks = if known.len() == homes.len() && more.is_none() {
            Vec::new()
        } else {
            daybooks.piece(Which::All, piece)?
        };
        for (i, daybook) in &daybooks {
            known.entry(*i).or_insert_with(|| read(daybook));
        }
        let mut results: Vec<HomeResults<T>> =
            known.into_iter().map(|(home, read)| finish(home, read)).collect();
        if let Some(more) = more {
            let empty = Notes::default();
            for (result, (_, daybook)) in results.iter_mut().zip(&daybooks) {
                result.more = Some(more(notes_of(daybook, &empty), &result.reading));
            }
        }
        Ok(results)
    };
    let mut groups: Vec<(Option<i64>, f64)> = Vec::new();
    in_turn(daybooks.pieces(Which::All), &make, &mut |homes| {
        homes.into_iter().try_for_each(|home| {
            groups.push((home.habits.group, home.habits.mean_day_kwh));
            take(home)
        })
    })?;
    Ok(fleet.group_rows(&groups))
}

impl Read {
    /// Reads one home from its daybook.
    pub(crate) fn of(
        daybook: &HomeDaybook<'_>,
        priors: &FleetPriors,
        settings: drawoff_homes::Settings,
        wanted: Wanted,
    ) -> Self {
        let (reading, findings) = read_one(daybook, priors, settings, wanted.faults);
        let empty = Notes::default();
        let notes = notes_of(daybook, &empty);
        let habits = HomeUse::new(HabitInput { notes, reading: &reading });
        let draws = HomeDraws::new(notes, &reading, settings.water);
        Self { reading, findings, habits, draws }
    }
}

/// What is learnt of a fleet's habits and classes of use.
pub(crate) struct Learnt {
    fleet: Fleet,
    classes: FleetClasses,
}

enum Fleet {
    Habits(Box<FleetHabits>),
    EmptyDays(FleetEmptyDays),
}

/// Learns from some homes of a fleet (see [`learnt_from`]), which are then read already.
///
/// # Errors
/// When a daybook cannot be read back.
pub(crate) fn learn(
    daybooks: &dyn Daybooks,
    priors: &FleetPriors,
    settings: drawoff_homes::Settings,
    wanted: Wanted,
) -> Result<(BTreeMap<usize, Read>, Learnt), ContractError> {
    let mut reads: BTreeMap<usize, Read> = BTreeMap::new();
    let of_sample = |piece: usize| -> Result<Vec<(usize, Read)>, ContractError> {
        let piece = daybooks.piece(Which::Sample, piece)?;
        Ok(piece.iter().map(|(i, d)| (*i, Read::of(d, priors, settings, wanted))).collect())
    };
    in_turn(daybooks.pieces(Which::Sample), &of_sample, &mut |homes| {
        reads.extend(homes);
        Ok(())
    })?;
    let uses: Vec<&HomeUse> = reads.values().map(|r| &r.habits).collect();
    let fleet = if wanted.habits {
        Fleet::Habits(Box::new(FleetHabits::learn(&uses, settings.seed)))
    } else {
        Fleet::EmptyDays(FleetEmptyDays::learn(&uses))
    };
    let classes = FleetClasses::learn(&reads.values().map(|r| &r.draws).collect::<Vec<_>>());
    Ok((reads, Learnt { fleet, classes }))
}

impl Learnt {
    /// All that is said of a home, with what its fleet adds.
    pub(crate) fn finish<T>(&self, mut read: Read, cylinder: &Cylinder) -> HomeResults<T> {
        self.classes.of_home(&read.draws).write(&mut read.reading);
        let habits = match &self.fleet {
            Fleet::Habits(fleet) => fleet.of_home(&read.habits),
            Fleet::EmptyDays(fleet) => {
                HomeHabits { vacancy: fleet.of_home(&read.habits), ..HomeHabits::default() }
            }
        };
        read.reading.row.habit_group = habits.group;
        let measured = measured(&read.reading, cylinder);
        HomeResults { reading: read.reading, measured, findings: read.findings, habits, more: None }
    }

    /// The rows of the groups, from the group and the mean day (kWh) of each home.
    pub(crate) fn group_rows(&self, homes: &[(Option<i64>, f64)]) -> Vec<GroupRow> {
        match &self.fleet {
            Fleet::Habits(fleet) => fleet.group_rows(homes),
            Fleet::EmptyDays(_) => Vec::new(),
        }
    }
}

/// Reads every home from its daybook in memory; what is not wanted is empty.
pub(crate) fn read_fleet(daybooks: &[HomeDaybook<'_>], water: Water, seed: u64, wanted: Wanted) -> Assessed {
    let priors = priors(daybooks);
    let settings = drawoff_homes::Settings { water, seed };
    let mut out = Assessed::default();
    let mut of_fleet: Vec<Option<Measured>> = Vec::new();
    let groups = read_each::<()>(&daybooks, &priors, settings, wanted, None, &mut |home| {
        of_fleet.push(home.measured);
        out.findings.extend(home.findings);
        out.habits.vacancy.extend(home.habits.vacancy);
        out.habits.rates.extend(home.habits.rates);
        out.habits.demand.extend(home.habits.demand);
        out.habits.changes.extend(home.habits.changes);
        out.habits.hour_changes.extend(home.habits.hour_changes);
        out.habits.group_of_home.push(home.habits.group);
        out.readings.push(home.reading);
        Ok(())
    });
    // Nothing is read from a disk here, so nothing fails.
    out.habits.groups = groups.unwrap_or_default();
    report_fleet(out.readings.iter_mut().map(|r| &mut r.row).zip(of_fleet));
    out
}

/// A home of which nothing can be said, for one reason.
fn unassessed(home: &str, outcome: Outcome, missing: &str) -> Vec<FindingRow> {
    Fault::ALL
        .iter()
        .map(|fault| FindingRow {
            home: home.to_owned(),
            fault: fault.code().to_owned(),
            outcome: outcome.code().to_owned(),
            probability: None,
            onset: None,
            effect: None,
            statistic: String::new(),
            margin: None,
            evidence_days: 0,
            energy_kwh_per_year: None,
            energy_kwh_per_year_p05: None,
            energy_kwh_per_year_p95: None,
            evidence_for: String::new(),
            evidence_against: String::new(),
            missing: missing.to_owned(),
            folded_under: String::new(),
        })
        .collect()
}
