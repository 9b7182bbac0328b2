//! Addresses of object storage, and what none of them may hold.

use std::fmt;
use std::path::{Path, PathBuf};

use drawoff_contract::ContractError;

/// Where an address leads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scheme {
    /// Amazon S3, and whatever speaks its protocol.
    S3,
    /// Google Cloud Storage.
    Gs,
    /// Azure Blob Storage.
    Az,
}

impl Scheme {
    /// Its name before `://`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::S3 => "s3",
            Self::Gs => "gs",
            Self::Az => "az",
        }
    }
}

/// An object, or all objects whose names begin alike, which is what stands for a folder.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Address {
    /// Kind of storage.
    pub scheme: Scheme,
    /// Bucket, or container.
    pub bucket: String,
    /// Name in the bucket, without a slash at either end; empty for the bucket as a whole.
    pub key: String,
}

/// What a setting that may be a path or an address names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// A file or folder of this machine.
    Local(PathBuf),
    /// Object storage.
    Stored(Address),
}

const KNOWN: &str = "addresses begin with s3://, gs://, az:// or file://";

impl Place {
    /// Reads a path or an address; `file://` leads to a path.
    ///
    /// # Errors
    /// For an address of another kind, without a bucket, with a name that leaves it, or with anything in it that could be a secret: a
    /// user, a password or a query. The message then holds nothing of what follows the scheme.
    pub fn of(text: &str) -> Result<Self, ContractError> {
        let Some((scheme, rest)) = parts(text) else { return Ok(Self::Local(PathBuf::from(text))) };
        let authority = rest.split('/').next().unwrap_or_default();
        if authority.contains('@') || rest.contains(['?', '#']) {
            let message =
                "an address with a user, a password or a query in it is refused: it may hold a secret";
            return Err(ContractError::new(format!("{}://…", visible(scheme)), message)
                .with_hint("name bucket and folder alone; credentials come from the environment"));
        }
        let wrong = |message: &str| Err(ContractError::new(text, message).with_hint(KNOWN));
        let scheme = match scheme {
            "file" if authority.is_empty() && rest.len() > 1 => return Ok(Self::Local(PathBuf::from(rest))),
            "file" => return wrong("names no path of this machine: three slashes stand before it"),
            "s3" => Scheme::S3,
            "gs" => Scheme::Gs,
            "az" => Scheme::Az,
            _ => return wrong("is no address that can be read or written"),
        };
        let is_plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_');
        if authority.is_empty() || !authority.chars().all(is_plain) {
            return wrong("names no bucket");
        }
        let key = rest[authority.len()..].trim_matches('/');
        let is_name = |part: &str| !part.is_empty() && part != "." && part != "..";
        if !key.is_empty() && !key.split('/').all(is_name) || key.chars().any(char::is_control) {
            return wrong("has an empty part, or one that leads elsewhere");
        }
        Ok(Self::Stored(Address { scheme, bucket: authority.to_owned(), key: key.to_owned() }))
    }
}

impl Address {
    /// The address that a path is, if it is one that can be read.
    #[must_use]
    pub fn of(path: &Path) -> Option<Self> {
        match path.to_str().map(Place::of) {
            Some(Ok(Place::Stored(address))) => Some(address),
            _ => None,
        }
    }

    /// The same with more names below it; `more` may have slashes in it.
    #[must_use]
    pub fn join(&self, more: &str) -> Self {
        let key = if self.key.is_empty() { more.to_owned() } else { format!("{}/{more}", self.key) };
        Self { key, ..self.clone() }
    }

    /// Its last name; the bucket, where there is no other.
    #[must_use]
    pub fn name(&self) -> &str {
        let last = self.key.rsplit('/').next().unwrap_or_default();
        if last.is_empty() { &self.bucket } else { last }
    }

    /// The address as a path, which holds the same text.
    #[must_use]
    pub fn to_path(&self) -> PathBuf {
        PathBuf::from(self.to_string())
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}://{}", self.scheme.name(), self.bucket)?;
        if self.key.is_empty() { Ok(()) } else { write!(f, "/{}", self.key) }
    }
}

/// Scheme and rest of a text that is an address; a letter before a colon is a drive.
fn parts(text: &str) -> Option<(&str, &str)> {
    let (scheme, rest) = text.split_once("://")?;
    let is_scheme =
        scheme.len() > 1 && scheme.chars().all(|c| c.is_ascii_alphanumeric() || "+-.".contains(c));
    is_scheme.then_some((scheme, rest))
}

fn visible(scheme: &str) -> String {
    scheme.chars().take(10).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stored(text: &str) -> Address {
        match Place::of(text) {
            Ok(Place::Stored(address)) => address,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn addresses_and_paths_are_told_apart() {
        assert_eq!(Place::of("out/a b").unwrap(), Place::Local(PathBuf::from("out/a b")));
        assert_eq!(Place::of("c:/exports").unwrap(), Place::Local(PathBuf::from("c:/exports")));
        assert_eq!(Place::of("file:///data/x").unwrap(), Place::Local(PathBuf::from("/data/x")));
        for (text, scheme) in [("s3", Scheme::S3), ("gs", Scheme::Gs), ("az", Scheme::Az)] {
            let address = stored(&format!("{text}://fleet-1/exports/march/"));
            assert_eq!((address.scheme, address.bucket.as_str()), (scheme, "fleet-1"));
            assert_eq!((address.key.as_str(), address.name()), ("exports/march", "march"));
            assert_eq!(address.to_string(), format!("{text}://fleet-1/exports/march"));
            assert_eq!(Address::of(&address.to_path()), Some(address));
        }
        assert_eq!(stored("s3://b").join("x/y").to_string(), "s3://b/x/y");
        assert_eq!(stored("s3://b").name(), "b");
        // A path that was joined is still an address.
        assert_eq!(Address::of(&Path::new("s3://b/x").join("y.csv")), Some(stored("s3://b/x/y.csv")));
    }

    #[test]
    fn nothing_that_may_be_secret_is_taken_or_repeated() {
        for text in ["s3://AKIA:hush@b/x", "https://hush@h/x", "az://c/x?sig=hush", "s3://b/x#hush"] {
            let error = Place::of(text).unwrap_err().to_string();
            assert!(error.contains("may hold a secret") && !error.contains("hush"), "{error}");
        }
    }

    #[test]
    fn what_leads_nowhere_is_named() {
        for text in [
            "s3://",
            "s3:///x",
            "s3://b/a//c",
            "s3://b/../c",
            "s3://b/./c",
            "ftp://h/x",
            "file://x",
            "s3://b c/x",
        ] {
            let error = Place::of(text).unwrap_err();
            assert!(error.to_string().contains(text) && error.hint.is_some(), "{error}");
        }
    }
}
