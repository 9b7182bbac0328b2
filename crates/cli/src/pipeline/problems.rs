//! All that is wrong with the text of a pipeline, not only the first of it.

use std::ops::Range;

use drawoff_contract::ContractError;
use toml::de::{DeTable, DeValue};

use super::{Pipeline, of_file};

/// Most problems that are told at once.
const MOST: usize = 40;

/// Every problem of the text by line; empty when there is none.
///
/// Reading stops at the first problem, so what is wrong is named, blanked out, and the rest is read again. A key that must be there ends
/// that: nothing is known of what comes after it.
pub(super) fn all(subject: &str, text: &str) -> Vec<ContractError> {
    let mut text = text.to_owned();
    let mut found: Vec<(usize, ContractError)> = Vec::new();
    let mut blanked: Vec<String> = Vec::new();
    while found.len() < MOST {
        let parsed: Result<Pipeline, toml::de::Error> = toml::from_str(&text);
        let Err(error) = parsed else { break };
        let missing = error.message().strip_prefix("missing field `").and_then(|rest| rest.split('`').next());
        if missing.is_some_and(|key| blanked.iter().any(|b| b == key)) {
            break;
        }
        // Blanks keep every place where it was, so places of all readings can be compared.
        found.push((error.span().map_or(0, |s| s.start), of_file(subject, &text, &error)));
        if missing.is_some() {
            break;
        }
        let Some(entry) = error.span().and_then(|span| entry_around(&text, span.start)) else { break };
        blanked.push(entry.0);
        text = without(&text, entry.1);
    }
    found.sort_by_key(|(at, _)| *at);
    found.into_iter().map(|(_, problem)| problem).collect()
}

/// Key and place of the innermost entry that a byte of the text belongs to.
fn entry_around(text: &str, at: usize) -> Option<(String, Range<usize>)> {
    let document = DeTable::parse(text).ok()?;
    innermost(document.get_ref(), at, text)
}

fn innermost(table: &DeTable<'_>, at: usize, text: &str) -> Option<(String, Range<usize>)> {
    for (key, value) in table.iter() {
        let inner = match value.get_ref() {
            DeValue::Table(table) => innermost(table, at, text),
            DeValue::Array(items) => items.iter().find_map(|item| match item.get_ref() {
                DeValue::Table(table) => innermost(table, at, text),
                _ => None,
            }),
            _ => None,
        };
        if inner.is_some() {
            return inner;
        }
        let name = key.get_ref().to_string();
        if key.span().contains(&at) || value.span().contains(&at) {
            let is_section = matches!(value.get_ref(), DeValue::Table(_) | DeValue::Array(_))
                && text[..key.span().start].trim_end_matches(' ').ends_with('[');
            let whole =
                if is_section { section(text, key.span().start) } else { key.span().start..value.span().end };
            return Some((name, whole));
        }
    }
    None
}

/// A section from its header to the next one.
fn section(text: &str, header: usize) -> Range<usize> {
    let start = text[..header].rfind('\n').map_or(0, |n| n + 1);
    let end = text[header..].find("\n[").map_or(text.len(), |n| header + n);
    start..end
}

/// The text with a part of it made blank, all lines where they were.
fn without(text: &str, part: Range<usize>) -> String {
    let blank = |(i, c): (usize, char)| match part.contains(&i) && c != '\n' {
        true => " ".repeat(c.len_utf8()),
        false => c.to_string(),
    };
    text.char_indices().map(blank).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "name = \"x\"\n[inputs]\nreadings = \"r\"\nmapping = \"m\"\nregister = \"a\"\n[outputs]\ndir = \"o\"\n[run]\nseed = 1\n[worth]\nvisit_cost = 90.0\n";

    fn told(text: &str) -> Vec<String> {
        all("p.toml", text)
            .iter()
            .map(|e| format!("{}: {}; {}", e.subject, e.message, e.hint.as_deref().unwrap_or("")))
            .collect()
    }

    #[test]
    fn all_problems_come_at_once_with_their_lines() {
        assert_eq!(told(GOOD), Vec::<String>::new());
        let bad = GOOD
            .replace("register =", "registre = \"b\"\nregister =")
            .replace("seed = 1", "seeed = 1\ntop = \"ten\"\n[nonsense]\nx = 1")
            .replace("visit_cost = 90.0", "visit_cost = 90.0\nvisitcost = 3");
        let told = told(&bad);
        assert_eq!(told.len(), 5, "{told:#?}");
        let expected = [
            "p.toml line 5: unknown field `registre`",
            "p.toml line 10: unknown field `seeed`",
            "p.toml line 11: invalid type: string",
            "p.toml line 12: unknown field `nonsense`",
            "p.toml line 16: unknown field `visitcost`",
        ];
        assert!(told.iter().zip(expected).all(|(told, words)| told.starts_with(words)), "{told:#?}");
        assert!(told[0].contains("did you mean `register`?"), "{told:#?}");
    }

    #[test]
    fn a_key_that_must_be_there_is_named_once() {
        let told = told(&GOOD.replace("dir = \"o\"", "dir = 3"));
        assert_eq!(told.len(), 1, "{told:?}");
        let told = super::tests::told(&GOOD.replace("dir = \"o\"\n", ""));
        assert!(told.len() == 1 && told[0].contains("missing field `dir`"), "{told:?}");
    }
}
