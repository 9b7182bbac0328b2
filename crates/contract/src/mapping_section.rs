//! Reading a TOML table key by key, so that every problem is found in one go and named by its line.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::error::ContractError;
use crate::mapping_hint::did_you_mean;

/// Problems found in one settings text.
#[derive(Clone, Debug)]
pub struct Problems<'t> {
    subject: String,
    text: &'t str,
    found: Vec<(usize, ContractError)>,
}

impl<'t> Problems<'t> {
    /// No problems yet in `text`, which errors call `subject`.
    #[must_use]
    pub fn new(subject: &str, text: &'t str) -> Self {
        Self { subject: subject.to_owned(), text, found: Vec::new() }
    }

    /// Adds a problem at a byte offset of the text.
    pub fn add(&mut self, at: usize, message: impl Into<String>, hint: Option<String>) {
        let end = at.min(self.text.len());
        let line = 1 + self.text.as_bytes()[..end].iter().filter(|&&b| b == b'\n').count();
        let mut error = ContractError::new(format!("{} line {line}", self.subject), message);
        error.hint = hint;
        self.found.push((at, error));
    }

    /// Whether nothing was found.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    /// All problems in the order of the text.
    #[must_use]
    pub fn into_errors(mut self) -> Vec<ContractError> {
        self.found.sort_by_key(|(at, _)| *at);
        self.found.into_iter().map(|(_, e)| e).collect()
    }
}

/// One table of a settings text. Every key that is asked for is valid; [`Section::finish`] reports the others.
#[derive(Clone, Debug)]
pub struct Section<'d> {
    name: String,
    /// Byte offset of the table in the text.
    pub at: usize,
    table: BTreeMap<&'d str, (Range<usize>, &'d Spanned<DeValue<'d>>)>,
    known: Vec<&'static str>,
}

impl<'d> Section<'d> {
    /// A table of a parsed document; `name` is used in messages.
    #[must_use]
    pub fn new(name: &str, at: usize, table: &'d DeTable<'d>, _problems: &mut Problems<'_>) -> Self {
        let table = table.iter().map(|(k, v)| (k.get_ref().as_ref(), (k.span(), v))).collect();
        Self { name: name.to_owned(), at, table, known: Vec::new() }
    }

    fn take(&mut self, key: &'static str) -> Option<&'d Spanned<DeValue<'d>>> {
        self.known.push(key);
        self.table.get(key).map(|(_, value)| *value)
    }

    /// Byte offset of a key, or of the table when the key is absent.
    #[must_use]
    pub fn at_key(&self, key: &str) -> usize {
        self.table.get(key).map_or(self.at, |(span, _)| span.start)
    }

    /// Reports a required key that is absent.
    pub fn missing(&self, key: &str, problems: &mut Problems<'_>) {
        problems.add(self.at, format!("{} needs the key `{key}`", self.name), None);
    }

    /// A text, if the key is there.
    pub fn text(&mut self, key: &'static str, problems: &mut Problems<'_>) -> Option<String> {
        let value = self.take(key)?;
        match value.get_ref() {
            DeValue::String(s) => Some(s.to_string()),
            other => {
                problems.add(value.span().start, wrong_type(key, "a text", other), None);
                None
            }
        }
    }

    /// A text that must be there.
    pub fn need_text(&mut self, key: &'static str, problems: &mut Problems<'_>) -> Option<String> {
        if !self.table.contains_key(key) {
            self.missing(key, problems);
        }
        self.text(key, problems)
    }

    /// A number, if the key is there.
    pub fn number(&mut self, key: &'static str, problems: &mut Problems<'_>) -> Option<f64> {
        let value = self.take(key)?;
        let number = as_number(value.get_ref());
        if number.is_none() {
            problems.add(value.span().start, wrong_type(key, "a number", value.get_ref()), None);
        }
        number
    }

    /// True or false; false when the key is absent.
    pub fn flag(&mut self, key: &'static str, problems: &mut Problems<'_>) -> bool {
        let Some(value) = self.take(key) else { return false };
        if let DeValue::Boolean(flag) = value.get_ref() {
            return *flag;
        }
        problems.add(value.span().start, wrong_type(key, "true or false", value.get_ref()), None);
        false
    }

    /// A list of numbers; empty when the key is absent.
    pub fn numbers(&mut self, key: &'static str, problems: &mut Problems<'_>) -> Vec<f64> {
        let Some(value) = self.take(key) else { return Vec::new() };
        let DeValue::Array(items) = value.get_ref() else {
            problems.add(value.span().start, wrong_type(key, "a list of numbers", value.get_ref()), None);
            return Vec::new();
        };
        let mut numbers = Vec::new();
        for item in items.iter() {
            match as_number(item.get_ref()) {
                Some(n) => numbers.push(n),
                None => problems.add(item.span().start, wrong_type(key, "numbers", item.get_ref()), None),
            }
        }
        numbers
    }

    /// A list of texts; `None` when the key is absent.
    pub fn texts(&mut self, key: &'static str, problems: &mut Problems<'_>) -> Option<Vec<String>> {
        let value = self.take(key)?;
        let DeValue::Array(items) = value.get_ref() else {
            problems.add(value.span().start, wrong_type(key, "a list of texts", value.get_ref()), None);
            return None;
        };
        let mut texts = Vec::new();
        for item in items.iter() {
            match item.get_ref() {
                DeValue::String(s) => texts.push(s.to_string()),
                other => problems.add(item.span().start, wrong_type(key, "texts", other), None),
            }
        }
        Some(texts)
    }

    /// One of the listed words, if the key is there.
    pub fn word<T: Copy>(
        &mut self,
        key: &'static str,
        words: &[(&str, T)],
        problems: &mut Problems<'_>,
    ) -> Option<T> {
        let text = self.text(key, problems)?;
        let found = words.iter().find(|(word, _)| *word == text).map(|(_, meaning)| *meaning);
        if found.is_none() {
            let valid: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            let at = self.at_key(key);
            problems.add(at, format!("`{text}` is no value of `{key}`"), Some(did_you_mean(&text, &valid)));
        }
        found
    }

    /// One of the listed words; the key must be there.
    pub fn need_word<T: Copy>(
        &mut self,
        key: &'static str,
        words: &[(&str, T)],
        problems: &mut Problems<'_>,
    ) -> Option<T> {
        if !self.table.contains_key(key) {
            self.missing(key, problems);
        }
        self.word(key, words, problems)
    }

    /// A table within this one, if the key is there.
    pub fn section_if(&mut self, key: &'static str, problems: &mut Problems<'_>) -> Option<Section<'d>> {
        let value = self.take(key)?;
        match value.get_ref() {
            DeValue::Table(table) => {
                Some(Section::new(&format!("`{key}`"), self.at_key(key), table, problems))
            }
            other => {
                problems.add(value.span().start, wrong_type(key, "a table", other), None);
                None
            }
        }
    }

    /// A table within this one that must be there.
    pub fn section(&mut self, key: &'static str, problems: &mut Problems<'_>) -> Option<Section<'d>> {
        if !self.table.contains_key(key) {
            self.missing(key, problems);
        }
        self.section_if(key, problems)
    }

    /// A list of tables; empty when the key is absent.
    pub fn sections(&mut self, key: &'static str, problems: &mut Problems<'_>) -> Vec<Section<'d>> {
        let Some(value) = self.take(key) else { return Vec::new() };
        let DeValue::Array(items) = value.get_ref() else {
            problems.add(value.span().start, wrong_type(key, "a list of tables", value.get_ref()), None);
            return Vec::new();
        };
        let mut sections = Vec::new();
        for item in items.iter() {
            let at = item.span().start;
            match item.get_ref() {
                DeValue::Table(table) => {
                    sections.push(Section::new(&format!("an entry of `{key}`"), at, table, problems));
                }
                other => problems.add(at, wrong_type(key, "tables", other), None),
            }
        }
        sections
    }

    /// Reports every key that nobody asked for.
    pub fn finish(self, problems: &mut Problems<'_>) {
        for (key, (span, _)) in &self.table {
            if !self.known.contains(key) {
                let message = format!("`{key}` is not a key of {}", self.name);
                problems.add(span.start, message, Some(did_you_mean(key, &self.known)));
            }
        }
    }
}

fn as_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
        DeValue::Float(f) => f.as_str().parse().ok(),
        _ => None,
    }
}

fn wrong_type(key: &str, wanted: &str, found: &DeValue<'_>) -> String {
    format!("`{key}` must be {wanted}, found {}", found.type_str())
}
