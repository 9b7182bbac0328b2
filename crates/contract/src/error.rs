//! What can be wrong with a table, a mapping or a register, said so that a person can mend it.

/// A contract is broken: which table or file, where in it, what is wrong, what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{subject}: {message}{}", hint.as_ref().map(|h| format!("\nhint: {h}")).unwrap_or_default())]
pub struct ContractError {
    /// Table, file or setting, and column or line where known.
    pub subject: String,
    /// What is wrong.
    pub message: String,
    /// What to do about it.
    pub hint: Option<String>,
}

impl ContractError {
    /// A problem with `subject`.
    #[must_use]
    pub fn new(subject: impl Into<String>, message: impl Into<String>) -> Self {
        Self { subject: subject.into(), message: message.into(), hint: None }
    }

    /// A problem with one column of a table.
    #[must_use]
    pub fn table(table: &str, column: &str, message: &str) -> Self {
        let subject = if column.is_empty() { table.to_owned() } else { format!("{table}.{column}") };
        Self::new(subject, message)
    }

    /// Adds what to do.
    #[must_use]
    pub fn with_hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// Adds what to do, unless that is said already.
    #[must_use]
    pub fn or_hint(mut self, hint: &str) -> Self {
        self.hint.get_or_insert_with(|| hint.to_owned());
        self
    }
}
