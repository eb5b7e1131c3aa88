//! The same work on many things, over the processors that there are. What comes of it is the same as one after the other.

/// What work on each of many comes to, in their order: in as many parts at once as the machine has cores. So few
/// as `few` are not worth another thread.
pub(super) fn side_by_side<T: Sync, R: Send>(all: &[T], few: usize, work: impl Fn(&[T]) -> Vec<R> + Sync) -> Vec<R> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let share = all.len().div_ceil(cores).max(few);
    let (first, rest) = all.split_at(share.min(all.len()));
    std::thread::scope(|scope| {
        let others: Vec<_> = rest.chunks(share).map(|some| scope.spawn(|| work(some))).collect();
        let mut done = work(first);
        for other in others {
            match other.join() {
                Ok(more) => done.extend(more),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        done
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_of_each_is_in_their_order_however_many_there_are() {
        for count in [0, 1, 31, 64, 65, 1_000] {
            let all: Vec<usize> = (0..count).collect();
            let doubled = side_by_side(&all, 32, |some| some.iter().map(|one| one * 2).collect());
            assert_eq!(doubled, all.iter().map(|one| one * 2).collect::<Vec<_>>());
        }
    }
}
