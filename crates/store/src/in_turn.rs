//! Work shared over threads whose results are taken in order, with few of them in memory.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Condvar, Mutex, PoisonError};

/// Finished pieces that may wait for their turn, for each thread.
const WAITING_A_THREAD: usize = 2;

struct Turn<'t, T, E> {
    next: usize,
    waiting: BTreeMap<usize, T>,
    failed: Option<E>,
    take: &'t mut (dyn FnMut(T) -> Result<(), E> + Send),
}

impl<T, E> Turn<'_, T, E> {
    fn give(&mut self, piece: usize, made: T) -> Result<(), E> {
        self.waiting.insert(piece, made);
        while let Some(made) = self.waiting.remove(&self.next) {
            self.next += 1;
            (self.take)(made)?;
        }
        Ok(())
    }
}

/// Makes pieces `0..pieces` on as many threads as rayon has, and gives them to `take` in their order.
///
/// No more than a few finished pieces a thread wait, so memory does not grow with their number.
///
/// # Errors
/// The first error that `make` or `take` gives ends all; pieces begun then are finished and thrown away.
pub fn in_turn<T: Send, E: Send>(
    pieces: usize,
    make: &(dyn Fn(usize) -> Result<T, E> + Sync),
    take: &mut (dyn FnMut(T) -> Result<(), E> + Send),
) -> Result<(), E> {
    let threads = rayon::current_num_threads();
    let next = AtomicUsize::new(0);
    let turn = Mutex::new(Turn { next: 0, waiting: BTreeMap::new(), failed: None, take });
    let moved = Condvar::new();
    let work = || {
        loop {
            let piece = next.fetch_add(1, Ordering::Relaxed);
            if piece >= pieces {
                return;
            }
            let made = make(piece);
            let mut turn = turn.lock().unwrap_or_else(PoisonError::into_inner);
            while turn.failed.is_none() && piece > turn.next + WAITING_A_THREAD * threads {
                turn = moved.wait(turn).unwrap_or_else(PoisonError::into_inner);
            }
            if turn.failed.is_none()
                && let Err(e) = made.and_then(|made| turn.give(piece, made))
            {
                turn.failed = Some(e);
            }
            moved.notify_all();
            if turn.failed.is_some() {
                return;
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..threads.min(pieces) {
            scope.spawn(work);
        }
    });
    let turn = turn.into_inner().unwrap_or_else(PoisonError::into_inner);
    turn.failed.map_or(Ok(()), Err)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_come_in_order() {
        let mut seen = Vec::new();
        let slow = |i: usize| {
            std::thread::sleep(std::time::Duration::from_micros(((i * 7) % 5) as u64 * 300));
            Ok::<usize, String>(i * i)
        };
        in_turn(50, &slow, &mut |i| {
            seen.push(i);
            Ok(())
        })
        .unwrap();
        assert_eq!(seen, (0..50).map(|i| i * i).collect::<Vec<_>>());
        in_turn(0, &slow, &mut |_| Ok(())).unwrap();
    }

    #[test]
    fn an_error_ends_all() {
        let fail = |i: usize| if i == 20 { Err("no") } else { Ok(i) };
        let mut last = 0;
        let ended = in_turn(100_000, &fail, &mut |i| {
            last = i;
            Ok(())
        });
        assert_eq!((ended, last), (Err("no"), 19));
        assert_eq!(in_turn(9, &|i| Ok(i), &mut |i| if i == 3 { Err("full") } else { Ok(()) }), Err("full"));
    }
}
