//! A made home with its daybook.

use drawoff_daybook::Notes;
use drawoff_homes::{FleetPriors, HomeNotes};

use crate::made::{Made, notes};

/// A home and its daybook.
pub(crate) struct Noted {
    pub(crate) home: Made,
    pub(crate) notes: Notes,
}

pub(crate) fn noted(home: Made) -> Noted {
    let notes = notes(&home.cylinder, &home.rows);
    Noted { home, notes }
}

pub(crate) fn view(n: &Noted) -> HomeNotes<'_> {
    HomeNotes {
        cylinder: &n.home.cylinder,
        days: &n.notes.days,
        spells: &n.notes.spells,
        draws: &n.notes.draws,
    }
}

/// What the fleet lends.
pub(crate) fn priors(fleet: &[Noted]) -> FleetPriors {
    FleetPriors::new(&fleet.iter().map(view).collect::<Vec<_>>())
}
