//! Split of a fleet by home: fit on one half, report the other.

/// Which homes are scored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Half {
    /// Every home.
    All,
    /// Homes whose hash is even.
    Even,
    /// Homes whose hash is odd.
    Odd,
}

impl Half {
    /// Whether a home belongs to the half: parity of the 64-bit FNV-1a hash of its identifier's bytes.
    ///
    /// ```
    /// use drawoff_score::Half;
    /// assert!(Half::Even.contains("a") && Half::Odd.contains("b"));
    /// ```
    #[must_use]
    pub fn contains(self, home: &str) -> bool {
        match self {
            Self::All => true,
            Self::Even => fnv1a(home).is_multiple_of(2),
            Self::Odd => !fnv1a(home).is_multiple_of(2),
        }
    }

    /// Stable word for settings and tables.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::All => "all",
            Self::Even => "even",
            Self::Odd => "odd",
        }
    }

    /// Reads the word back.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::All, Self::Even, Self::Odd].into_iter().find(|h| h.code() == code)
    }
}

/// 64-bit FNV-1a: the same on every platform and in every version, unlike the standard library's hasher.
fn fnv1a(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hash_agrees_with_the_published_test_values() {
        // Fowler, Noll, Vo: FNV-1a 64-bit test vectors for "", "a" and "foobar" (RFC 9923, from memory).
        assert_eq!(fnv1a(""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a("a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fnv1a("foobar"), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn halves_part_the_fleet() {
        for home in ["K-1008", "hw01094x", "", "ä"] {
            assert!(Half::All.contains(home));
            assert_ne!(Half::Even.contains(home), Half::Odd.contains(home));
        }
        assert_eq!(Half::from_code("odd"), Some(Half::Odd));
    }
}
