//! What a storage refuses, said so that a person can mend it, and so that no secret is repeated.
//!
//! Messages of the layers below hold whole addresses of requests, which some storages sign with a secret: nothing of them is passed on
//! but the status, the code of the answer, and the kind of a failure on the way.

use std::error::Error as _;

use drawoff_contract::ContractError;
use object_store::Error;
use object_store::client::{HttpError, HttpErrorKind};

/// Why a request failed in the end.
#[derive(Clone, Debug, PartialEq)]
pub enum Trouble {
    /// There is no such object.
    Missing(ContractError),
    /// The object is not, or no longer, as it was expected to be.
    Overtaken(ContractError),
    /// Anything else, after all tries.
    Other(ContractError),
}

impl From<Trouble> for ContractError {
    fn from(trouble: Trouble) -> Self {
        match trouble {
            Trouble::Missing(e) | Trouble::Overtaken(e) | Trouble::Other(e) => e,
        }
    }
}

const CREDENTIALS: &str =
    "check the credentials in the environment, and the rights that docs/object-storage.md lists";
const REACH: &str =
    "check the network, the endpoint in the environment and the storage itself, then run again";

/// The failure of what was being done at an address.
pub(crate) fn trouble(address: String, doing: &str, error: &Error) -> Trouble {
    let said = said(error);
    let new = |message: &str, hint: &str| {
        ContractError::new(&address, format!("{doing}: {message}{said}")).with_hint(hint)
    };
    // Lists fail with a status alone.
    let chain = chain(error);
    match (error, status(&chain)) {
        (Error::NotFound { .. }, _) | (Error::Generic { .. }, Some("404")) => {
            Trouble::Missing(new("there is no such object or bucket", "check bucket and name"))
        }
        (Error::Precondition { .. } | Error::AlreadyExists { .. } | Error::NotModified { .. }, _) => {
            Trouble::Overtaken(new("it was changed meanwhile by somebody else", "run again"))
        }
        (Error::PermissionDenied { .. } | Error::Unauthenticated { .. }, _)
        | (Error::Generic { .. }, Some("401" | "403")) => {
            Trouble::Other(new("the storage refused these credentials", CREDENTIALS))
        }
        (Error::NotSupported { .. } | Error::NotImplemented { .. }, _) => Trouble::Other(new(
            "this storage, or how it is set up, cannot do it",
            "docs/object-storage.md says what is needed of one",
        )),
        (_, status) => Trouble::Other(match (transport(error), status) {
            (Some(HttpErrorKind::Connect), _) => {
                new("the storage could not be reached, and was tried until the limit", REACH)
            }
            (Some(HttpErrorKind::Timeout), _) => {
                new("the storage did not answer in time, and was tried until the limit", REACH)
            }
            (Some(_), _) => new("the storage broke off, and was tried until the limit", REACH),
            (None, Some(status)) if status.starts_with('5') || status == "429" => {
                new("the storage failed, and was tried until the limit", REACH)
            }
            (None, Some(_)) => new("the storage refused the request", "check bucket, region and endpoint"),
            (None, None) => {
                new("no credentials, or settings of the storage that cannot be used", CREDENTIALS)
            }
        }),
    }
}

/// Status and code of the answer, if there was one.
fn said(error: &Error) -> String {
    let text = chain(error);
    let code =
        text.split_once("<Code>").and_then(|(_, rest)| rest.split_once("</Code>")).map(|(code, _)| code);
    let code = code.filter(|c| c.len() <= 64 && c.chars().all(|c| c.is_ascii_alphanumeric()));
    match (status(&text), code) {
        (Some(status), Some(code)) => format!(" (status {status}, {code})"),
        (Some(status), None) => format!(" (status {status})"),
        _ => String::new(),
    }
}

/// All that the layers say; never shown as it is.
fn chain(error: &Error) -> String {
    let mut text = error.to_string();
    let mut next = error.source();
    while let Some(error) = next {
        text.push_str(&format!("\n{error}"));
        next = error.source();
    }
    text
}

fn status(text: &str) -> Option<&str> {
    let (_, rest) = text.split_once("status code: ")?;
    rest.get(..3).filter(|s| s.chars().all(|c| c.is_ascii_digit()))
}

fn transport(error: &Error) -> Option<HttpErrorKind> {
    let mut next = error.source();
    while let Some(error) = next {
        if let Some(http) = error.downcast_ref::<HttpError>() {
            return Some(http.kind());
        }
        next = error.source();
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_status_and_code_are_repeated() {
        let body = "GET https://h/c?sig=hush Server returned non-2xx status code: 403 Forbidden: \
                    <Error><Code>SignatureDoesNotMatch</Code><Message>hush</Message></Error>";
        let error = Error::PermissionDenied { path: "hush".to_owned(), source: body.into() };
        let Trouble::Other(problem) = trouble("s3://b/x".to_owned(), "cannot be read", &error) else {
            panic!()
        };
        let text = problem.to_string();
        assert!(
            text.starts_with("s3://b/x: cannot be read: the storage refused these credentials"),
            "{text}"
        );
        assert!(text.contains("(status 403, SignatureDoesNotMatch)") && !text.contains("hush"), "{text}");
        let list = Error::Generic { store: "S3", source: body.into() };
        assert_eq!(trouble("s3://b/x".to_owned(), "cannot be read", &list), Trouble::Other(problem));
        let none =
            Error::Generic { store: "S3", source: "status code: 404 <Code>NoSuchBucket</Code>".into() };
        assert!(matches!(trouble("s3://b".to_owned(), "cannot be listed", &none), Trouble::Missing(_)));
        let error = Error::Generic { store: "S3", source: "hush".into() };
        let problem: ContractError = trouble("s3://b".to_owned(), "cannot be listed", &error).into();
        assert!(!problem.to_string().contains("hush") && problem.hint.is_some(), "{problem}");
    }
}
