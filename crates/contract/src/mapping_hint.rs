//! The nearest valid word to one that is not valid.

/// "did you mean `x`?" when a valid word is near, otherwise the list of valid words (at most twenty).
#[must_use]
pub fn did_you_mean(word: &str, valid: &[&str]) -> String {
    let near = nearest(word, valid);
    if let Some(near) = near {
        return format!("did you mean `{near}`?");
    }
    let mut listed: Vec<&str> = valid.iter().copied().take(20).collect();
    if valid.len() > listed.len() {
        listed.push("...");
    }
    format!("valid here: {}", listed.join(", "))
}

/// The valid word with the fewest edits, if they are at most a third of the word, and at least one is allowed.
#[must_use]
pub fn nearest<'v>(word: &str, valid: &[&'v str]) -> Option<&'v str> {
    let allowed = 1.max(word.chars().count() / 3);
    valid
        .iter()
        .map(|v| (edits(&word.to_lowercase(), &v.to_lowercase()), *v))
        .min_by_key(|(distance, _)| *distance)
        .filter(|(distance, _)| *distance <= allowed)
        .map(|(_, v)| v)
}

/// Insertions, deletions and exchanges of one character that turn `a` into `b`.
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let exchange = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = exchange.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_edits() {
        assert_eq!(edits("tank", "tank"), 0);
        assert_eq!(edits("tank", "bank"), 1);
        assert_eq!(edits("flow", "follow"), 2);
        assert_eq!(edits("", "abc"), 3);
    }

    #[test]
    fn a_far_word_lists_what_is_valid() {
        assert_eq!(did_you_mean("stamq", &["stamp", "shape"]), "did you mean `stamp`?");
        assert_eq!(did_you_mean("xyz", &["stamp", "shape"]), "valid here: stamp, shape");
    }
}
