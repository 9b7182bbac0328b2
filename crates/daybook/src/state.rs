//! Where a machine stands at the end of a day, as bytes: numbers bit by bit, so that a machine resumed from them goes on exactly as
//! the one that never stopped.
//!
//! The bytes belong to one version of the program; whoever keeps them keeps its version beside them.

use drawoff_contract::Day;
use drawoff_tank::column::Column;

use crate::day::Carry;
use crate::frame::Frame;
use crate::masks::MaskMemory;
use crate::probes::Run;
use crate::track::{Follower, PowerGain};

/// Where the reduction of a home stood after a day with rows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct State {
    /// The day.
    pub day: Day,
    /// Its end, UTC milliseconds: no row up to it is taken any more.
    pub until_ms: i64,
    /// What the day hands to the next; empty for a home that cannot be reduced.
    pub bytes: Vec<u8>,
}

/// A value that can be written as bytes and read back bit by bit.
pub(crate) trait Carried: Sized {
    fn put(&self, to: &mut Vec<u8>);
    /// Takes the value off the front; `None` when the bytes do not hold one.
    fn take(from: &mut &[u8]) -> Option<Self>;
}

impl Carried for u64 {
    fn put(&self, to: &mut Vec<u8>) {
        to.extend(self.to_le_bytes());
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        let (own, rest) = from.split_first_chunk()?;
        *from = rest;
        Some(Self::from_le_bytes(*own))
    }
}

impl Carried for f64 {
    fn put(&self, to: &mut Vec<u8>) {
        self.to_bits().put(to);
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        u64::take(from).map(Self::from_bits)
    }
}

impl Carried for i64 {
    fn put(&self, to: &mut Vec<u8>) {
        self.cast_unsigned().put(to);
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        u64::take(from).map(u64::cast_signed)
    }
}

impl Carried for usize {
    fn put(&self, to: &mut Vec<u8>) {
        (*self as u64).put(to);
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        Self::try_from(u64::take(from)?).ok()
    }
}

impl Carried for bool {
    fn put(&self, to: &mut Vec<u8>) {
        to.push(u8::from(*self));
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        let (own, rest) = from.split_first()?;
        *from = rest;
        Some(*own != 0)
    }
}

impl<T: Carried> Carried for Option<T> {
    fn put(&self, to: &mut Vec<u8>) {
        self.is_some().put(to);
        if let Some(value) = self {
            value.put(to);
        }
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        if bool::take(from)? { T::take(from).map(Some) } else { Some(None) }
    }
}

impl<T: Carried> Carried for Vec<T> {
    fn put(&self, to: &mut Vec<u8>) {
        self.len().put(to);
        self.iter().for_each(|value| value.put(to));
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        (0..usize::take(from)?).map(|_| T::take(from)).collect()
    }
}

impl<T: Carried> Carried for [T; 2] {
    fn put(&self, to: &mut Vec<u8>) {
        self.iter().for_each(|value| value.put(to));
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        Some([T::take(from)?, T::take(from)?])
    }
}

impl Carried for Column {
    fn put(&self, to: &mut Vec<u8>) {
        self.to_numbers().put(to);
    }
    fn take(from: &mut &[u8]) -> Option<Self> {
        Self::from_numbers(&Vec::take(from)?)
    }
}

/// Writes a struct field by field; a field left out does not compile.
macro_rules! carried {
    ($type:ident { $($field:ident),* }) => {
        impl Carried for $type {
            fn put(&self, to: &mut Vec<u8>) {
                let Self { $($field),* } = self;
                $( $field.put(to); )*
            }
            fn take(from: &mut &[u8]) -> Option<Self> {
                $( let $field = Carried::take(from)?; )*
                Some(Self { $($field),* })
            }
        }
    };
}
carried!(Carry { tail, runs, masks, cadence_ms, last_stamp_ms, follower, lows_degc });
carried!(Frame {
    time_ms,
    probes,
    width,
    power,
    call,
    register,
    surroundings,
    flow,
    inlet,
    export,
    pump,
    exchanger,
    context
});
carried!(MaskMemory { register_wh, register_ms });
carried!(Run { value, since_ms, low_degc, high_degc });
carried!(Follower { column, last_ms, gain });
carried!(PowerGain { metered_wh, found_wh, disturbed, recent, median });

impl Carry {
    pub(crate) fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        self.put(&mut bytes);
        bytes
    }

    /// `None` when the bytes are not those of a carry.
    pub(crate) fn from_bytes(mut bytes: &[u8]) -> Option<Self> {
        let carry = Self::take(&mut bytes)?;
        bytes.is_empty().then_some(carry)
    }
}
