//! `drawoff check`: all problems of the inputs at once, and the exact row accounting.

use drawoff_contract::Account;

use crate::args::PipelineArgs;
use crate::exit::{Exit, Failure};
use crate::progress::{self, thousands};
use crate::reduce::{open_intake, reduce_fleet};
use crate::run::{file_rows, read_inputs};
use crate::sanity::{balance_told, unit_slips};

pub(crate) fn check(args: &PipelineArgs) -> Result<Exit, Failure> {
    let inputs = read_inputs(args)?;
    let mut problems = inputs.register_problems.clone();
    problems.extend(inputs.small.problems.iter().chain(&inputs.small.remarks).cloned());
    problems.extend(drawoff_store::inspect(
        &inputs.pipeline.inputs.readings,
        &inputs.mapping,
        &inputs.cylinders,
    ));
    // Nothing is written to the outputs, so rows that do not fit into memory go where the system keeps such things.
    let aside = std::env::temp_dir().join(format!("drawoff-check-{}", std::process::id()));
    let mut intake = open_intake(&inputs, aside);
    let water = inputs.pipeline.water.water();
    let (reduced, ()) = reduce_fleet(&mut intake, &inputs.cylinders, water, &|| Ok(()), &|(), _, _| Ok(()))?;
    let mut total = Account::default();
    for account in &reduced.accounts.files {
        total.add(account);
    }
    problems.extend(unit_slips(&reduced.unit_signs, &total));
    for row in file_rows(&reduced.files, &reduced.accounts.files) {
        progress::result(&format!(
            "{}: {} rows in = {} used + {} masked + {} rejected; {} values in = {} used + {} masked + {} absent{}",
            row.file,
            row.rows_in,
            row.rows_used,
            row.rows_masked,
            row.rows_rejected,
            row.values_in,
            row.values_used,
            row.values_masked,
            row.values_absent,
            if row.by_reason.is_empty() { String::new() } else { format!(" ({})", row.by_reason) }
        ));
    }
    progress::result(&format!(
        "all: {} rows in = {} used + {} masked + {} rejected; {}",
        thousands(total.rows_in),
        thousands(total.rows_used),
        thousands(total.all_rows_masked()),
        thousands(total.all_rows_rejected()),
        if total.is_balanced() { "the accounts balance" } else { "THE ACCOUNTS DO NOT BALANCE" }
    ));
    balance_told(&reduced.unit_signs).iter().for_each(|line| progress::result(line));
    for (home, rows) in &reduced.unknown_homes {
        progress::result(&format!("home {home}: not in the register, {rows} rows rejected"));
    }
    problems.iter().for_each(progress::error);
    let read = !reduced.stamps.is_empty();
    Ok(match (problems.is_empty() && reduced.unknown_homes.is_empty(), read) {
        (_, false) => Exit::NoInput,
        (true, true) => Exit::Done,
        (false, true) => Exit::Partial,
    })
}
