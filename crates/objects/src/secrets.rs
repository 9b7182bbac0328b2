//! Names of settings that would hold a secret.

/// What the name of a setting has in it that holds a secret, once it is in small letters and without marks between them.
const WORDS: &[&str] = &[
    "secret",
    "password",
    "passwd",
    "passphrase",
    "credential",
    "token",
    "accesskey",
    "accountkey",
    "apikey",
    "privatekey",
    "saskey",
    "connectionstring",
    "authorization",
];

/// Whether a setting of this name would hold a secret: a secret has no place in a pipeline, or on a command line that others can see.
#[must_use]
pub fn names_a_secret(key: &str) -> bool {
    let plain: String =
        key.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_lowercase()).collect();
    WORDS.iter().any(|word| plain.contains(word))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_are_known_by_their_names() {
        for key in [
            "aws_secret_access_key",
            "AccessKeyId",
            "sas_key",
            "azure-storage-account-key",
            "session_token",
            "password",
        ] {
            assert!(names_a_secret(key), "{key}");
        }
        for key in ["readings", "owner_only", "hash_key", "keep_days", "staging"] {
            assert!(!names_a_secret(key), "{key}");
        }
    }
}
