//! Where in the text of a pipeline a key stands.

use drawoff_contract::ContractError;
use toml::de::{DeTable, DeValue};

/// A key whose value makes no sense.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Problem {
    /// Names of the tables down to the key; places in an array as numbers from 0.
    pub(crate) path: Vec<String>,
    pub(crate) message: String,
    pub(crate) hint: String,
}

impl Problem {
    pub(crate) fn at(path: &[&str], message: impl Into<String>, hint: impl Into<String>) -> Self {
        let path = path.iter().map(|p| (*p).to_owned()).collect();
        Self { path, message: message.into(), hint: hint.into() }
    }

    /// The same of a table within others.
    pub(crate) fn below(mut self, tables: &[&str]) -> Self {
        self.path.splice(0..0, tables.iter().map(|t| (*t).to_owned()));
        self
    }

    /// `savings.tariffs[2].low_hours`, counted from 1.
    fn key(&self) -> String {
        let mut key = String::new();
        for part in &self.path {
            match part.parse::<usize>() {
                Ok(n) => key.push_str(&format!("[{}]", n + 1)),
                Err(_) if key.is_empty() => key.push_str(part),
                Err(_) => key.push_str(&format!(".{part}")),
            }
        }
        key
    }

    /// As an error that names the key alone.
    pub(crate) fn of_key(self) -> ContractError {
        ContractError::new(self.key(), self.message).with_hint(self.hint)
    }
}

/// The text of a pipeline, and what was put in place of parts of it.
pub(super) struct Text<'a> {
    pub(super) subject: &'a str,
    pub(super) text: &'a str,
    /// Items of the form `key.path=value`.
    pub(super) overrides: &'a [String],
}

impl Text<'_> {
    /// The problems with their lines, in the order of these; what an override says, by that override.
    pub(super) fn errors(&self, problems: Vec<Problem>) -> Vec<ContractError> {
        let document = DeTable::parse(self.text).ok();
        let mut placed: Vec<(usize, ContractError)> = problems
            .into_iter()
            .map(|problem| {
                let overridden = self.overrides.iter().rev().find(|item| is_within(&problem.path, item));
                let at = document.as_ref().and_then(|d| place(d.get_ref(), &problem.path));
                let line = at.map_or(0, |at| self.text[..at].matches('\n').count() + 1);
                let subject = match overridden {
                    Some(item) => format!("--set {item}"),
                    None if line == 0 => self.subject.to_owned(),
                    None => format!("{} line {line}", self.subject),
                };
                let message = format!("{} {}", problem.key(), problem.message);
                (line, ContractError::new(subject, message).with_hint(problem.hint))
            })
            .collect();
        placed.sort_by_key(|(line, _)| *line);
        placed.into_iter().map(|(_, error)| error).collect()
    }
}

/// Whether an override sets the key or a table around it.
fn is_within(path: &[String], item: &str) -> bool {
    let Some((key, _)) = item.split_once('=') else { return false };
    let parts: Vec<&str> = key.split('.').collect();
    parts.len() <= path.len() && parts.iter().zip(path).all(|(a, b)| a == b)
}

/// Where the key begins, else the nearest table around it; `None` where not even its section is there.
fn place(table: &DeTable<'_>, path: &[String]) -> Option<usize> {
    let (first, rest) = path.split_first()?;
    let (key, value) = table.iter().find(|(key, _)| key.get_ref() == first.as_str())?;
    let inner = match value.get_ref() {
        DeValue::Table(table) => place(table, rest),
        DeValue::Array(items) => rest.split_first().and_then(|(n, rest)| {
            let item = items.get(n.parse::<usize>().ok()?)?;
            match item.get_ref() {
                DeValue::Table(table) => place(table, rest),
                _ => None,
            }
            .or(Some(item.span().start))
        }),
        _ => None,
    };
    inner.or(Some(key.span().start))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "name = \"x\"\n[worth]\nfix_share = { stuck_on = 2 }\n\n[[worth.tariffs]]\nname = \"a\"\n[[worth.tariffs]]\nname = \"b\"\nlow_rate = 3\n";

    fn subject(path: &[&str], overrides: &[String]) -> String {
        let text = Text { subject: "p.toml", text: TEXT, overrides };
        text.errors(vec![Problem::at(path, "is odd", "mend it")]).remove(0).subject
    }

    #[test]
    fn keys_have_lines() {
        assert_eq!(subject(&["worth", "tariffs", "1", "low_rate"], &[]), "p.toml line 9");
        assert_eq!(
            subject(&["worth", "tariffs", "0", "low_rate"], &[]),
            "p.toml line 5",
            "the table around it"
        );
        assert_eq!(subject(&["worth", "fix_share", "stuck_on"], &[]), "p.toml line 3");
        assert_eq!(subject(&["worth", "visit_cost"], &[]), "p.toml line 2");
        assert_eq!(subject(&["savings", "members"], &[]), "p.toml");
        let set = ["worth.visit_cost=-1".to_owned()];
        assert_eq!(subject(&["worth", "visit_cost"], &set), "--set worth.visit_cost=-1");
        assert_eq!(subject(&["worth", "call_cost"], &set), "p.toml line 2");
    }

    #[test]
    fn keys_are_written_as_people_count() {
        let problem = Problem::at(&["tariffs", "1", "low_hours"], "overlap", "").below(&["savings"]);
        assert_eq!(problem.of_key().subject, "savings.tariffs[2].low_hours");
    }
}
