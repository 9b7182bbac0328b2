//! What a manifest says beside its files: no clock, no host, no path of this machine.

use drawoff_contract::{Account, ContractError};

use crate::exit::Failure;
use crate::pipeline::Pipeline;
use crate::run::VERSION;

/// Program, settings and row accounts of a run, and what its job says `more` of itself (an object).
///
/// # Errors
/// When the settings cannot be written.
pub(crate) fn manifest(
    pipeline: &Pipeline,
    total: &Account,
    more: serde_json::Value,
) -> Result<serde_json::Value, Failure> {
    let mut settings = serde_json::to_value(pipeline)
        .map_err(|e| ContractError::new("settings", format!("cannot be written: {e}")))?;
    // Where things lie differs between machines and does not change the results.
    for section in ["inputs", "outputs"] {
        if let Some(map) = settings.as_object_mut() {
            map.remove(section);
        }
    }
    let mut out = serde_json::json!({
        "program": "drawoff",
        "version": VERSION,
        "settings": settings,
        "rows_in": total.rows_in,
        "rows_used": total.rows_used,
        "rows_masked": total.all_rows_masked(),
        "rows_rejected": total.all_rows_rejected(),
        "values_in": total.values_in,
        "values_used": total.values_used,
        "values_masked": total.all_values_masked(),
        "values_absent": total.values_absent,
        "accounts_balance": total.is_balanced(),
    });
    if let (Some(map), serde_json::Value::Object(more)) = (out.as_object_mut(), more) {
        map.extend(more);
    }
    Ok(out)
}
