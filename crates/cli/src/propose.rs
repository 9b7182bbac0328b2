//! `drawoff propose`: a mapping for an export that nobody has described yet, with a reason beside each line.

mod collect;
mod look;

use std::path::Path;

use drawoff_contract::{ContractError, Mapping};
use drawoff_propose::{Proposal, RegisterTable};
use drawoff_store::intake::unmapped::{as_names, unmapped};
use drawoff_store::output::export::write_text;

use crate::args::ProposeArgs;
use crate::exit::{Exit, Failure};
use crate::places::given;
use crate::progress;

/// Signs that stand between fields (common practice, no source).
const SEPARATORS: [u8; 4] = *b",;\t|";

pub(crate) fn propose(args: &ProposeArgs) -> Result<Exit, Failure> {
    if args.out.exists() {
        let problem =
            ContractError::new(args.out.display().to_string(), "is there already, and is left as it is");
        return Err(Failure::settings(vec![problem.with_hint("name another file with --out")]));
    }
    let given_register = args.register.as_deref().map(given).transpose()?;
    let register = given_register.as_deref().map(read_table).transpose();
    let register = register.map_err(|e| Failure::new(Exit::Settings, e))?;
    let files = unmapped(&given(&args.export)?).map_err(|e| Failure::new(Exit::NoInput, e))?;
    let mut looked = look::look(&files, register.as_ref()).map_err(|e| Failure::new(Exit::NoInput, e))?;
    looked.export.zone.clone_from(&args.zone);
    let sample = collect::collect(&files, &mut looked, register.as_ref());
    progress::note(&format!(
        "looked at {} homes and {} columns of {} files",
        sample.homes.len(),
        sample.columns.len(),
        files.len()
    ));
    let proposal = drawoff_propose::propose(&looked.export, sample, register.as_ref());
    let subject = args.out.display().to_string();
    let gaps = Mapping::parse(&subject, &proposal.text).err().unwrap_or_default();
    write_text(&args.out, &proposal.text)?;
    tell(args, &proposal, &looked.problems, &gaps);
    Ok(if gaps.is_empty() && looked.problems.is_empty() { Exit::Done } else { Exit::Partial })
}

fn tell(args: &ProposeArgs, proposal: &Proposal, left_out: &[ContractError], gaps: &[ContractError]) {
    let out = args.out.display();
    progress::result(&format!("mapping: {out}"));
    progress::result(&format!("units: {}", proposal.balance.told()));
    for line in &proposal.unsure {
        let look = line.unsure.as_deref().unwrap_or_default();
        progress::result(&format!("unsure: {}: {}; look at {look}", line.text, line.reason));
    }
    if proposal.unsure.is_empty() {
        progress::result("no line is marked UNSURE");
    }
    left_out.iter().chain(gaps).for_each(progress::warning);
    let register = args.register.as_ref().map_or("REGISTER".to_owned(), |r| r.display().to_string());
    progress::note(&format!(
        "hint: drawoff check pipelines/service-list.toml --set inputs.mapping={out} --set inputs.readings={} --set inputs.register={register} \
         --set inputs.carbon= --set inputs.visits= shows what is rejected",
        args.export.display()
    ));
}

/// A register as it stands, with the separator that gives most columns.
fn read_table(path: &Path) -> Result<RegisterTable, ContractError> {
    let file = unmapped(path)?.into_iter().next();
    let file = file.ok_or_else(|| ContractError::new(path.display().to_string(), "no register there"))?;
    let widest =
        SEPARATORS.iter().copied().max_by_key(|&s| (file.columns(s).map_or(0, |c| c.len()), u8::MAX - s));
    let separator = widest.unwrap_or(b',');
    let columns = file.columns(separator)?;
    let names: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
    let mut cells: Vec<Vec<String>> = vec![Vec::new(); names.len()];
    file.each_batch(separator, &names, &mut |batch| {
        for (name, cells) in names.iter().zip(&mut cells) {
            let found = batch.column_by_name(name).and_then(as_names);
            let (texts, codes) = found.unwrap_or((Vec::new(), vec![None; batch.num_rows()]));
            cells.extend(
                codes.iter().map(|code| code.and_then(|c| texts.get(c).cloned()).unwrap_or_default()),
            );
        }
        true
    })?;
    let columns = columns.iter().map(|(name, _)| name.clone()).zip(cells).collect();
    Ok(RegisterTable { separator: char::from(separator), columns })
}
