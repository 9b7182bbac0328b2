//! One line of a proposed mapping.

/// A line with its reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// TOML.
    pub text: String,
    /// Why it says what it says.
    pub reason: String,
    /// What to look at, where the reason is not enough.
    pub unsure: Option<String>,
}

impl Line {
    /// A line that the readings prove.
    pub fn sure(text: impl Into<String>, reason: impl Into<String>) -> Self {
        Self { text: text.into(), reason: reason.into(), unsure: None }
    }

    /// A line that a person has to look at.
    pub fn unsure(text: impl Into<String>, reason: impl Into<String>, look: impl Into<String>) -> Self {
        Self { unsure: Some(look.into()), ..Self::sure(text, reason) }
    }

    /// Sure or not.
    pub fn when(sure: bool, text: impl Into<String>, reason: impl Into<String>, look: &str) -> Self {
        Self { unsure: (!sure).then(|| look.to_owned()), ..Self::sure(text, reason) }
    }

    /// The line with its reason as a comment.
    #[must_use]
    pub fn written(&self) -> String {
        // A name from the export must not end the comment and begin a line of its own.
        let plain =
            |text: &str| text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect::<String>();
        match &self.unsure {
            None => format!("{}  # {}", self.text, plain(&self.reason)),
            Some(look) => {
                format!("{}  # UNSURE: {}; look at {}", self.text, plain(&self.reason), plain(look))
            }
        }
    }
}

/// A basic string of TOML.
pub(crate) fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => out.push_str(&format!("\\u{:04X}", u32::from(c))),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
