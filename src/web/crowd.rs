//! The connections that are open: at most so many. For one more, one is let go: of those that wait for a request or of those
//! that are served, whichever are more, the one that has waited, or been served, longest. So neither idle nor slow clients
//! keep a probe out, which is neither for long.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio_util::sync::CancellationToken;

/// All open connections.
#[derive(Debug)]
pub(super) struct Crowd {
    most: usize,
    members: Mutex<Members>,
}

#[derive(Debug, Default)]
struct Members {
    /// Counts comings and goings.
    turn: u64,
    /// Those that wait for a request, by the turn since when; those being served, by the turn when that began.
    idle: BTreeMap<u64, CancellationToken>,
    busy: BTreeMap<u64, CancellationToken>,
}

impl Members {
    fn next(&mut self) -> u64 {
        self.turn += 1;
        self.turn
    }

    fn make_room(&mut self) {
        let more = if self.idle.len() < self.busy.len() { &mut self.busy } else { &mut self.idle };
        if let Some((_, gone)) = more.pop_first() {
            gone.cancel();
        }
    }
}

/// A connection's place in the crowd; it leaves when dropped.
#[derive(Debug)]
pub(super) struct Place {
    crowd: Arc<Crowd>,
    turn: Mutex<u64>,
    gone: CancellationToken,
}

/// A request being served; it ends when dropped.
#[derive(Debug)]
pub(super) struct Serving(Arc<Place>);

impl Crowd {
    pub fn new(most: usize) -> Arc<Crowd> {
        Arc::new(Crowd { most, members: Mutex::default() })
    }

    /// A place for one more connection.
    pub fn enter(self: &Arc<Crowd>) -> Arc<Place> {
        let gone = CancellationToken::new();
        let mut members = self.members();
        if members.idle.len() + members.busy.len() >= self.most {
            members.make_room();
        }
        let turn = members.next();
        members.idle.insert(turn, gone.clone());
        drop(members);
        Arc::new(Place { crowd: self.clone(), turn: Mutex::new(turn), gone })
    }

    /// Lets one connection go.
    pub fn make_room(&self) {
        self.members().make_room();
    }

    fn members(&self) -> MutexGuard<'_, Members> {
        self.members.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Place {
    /// Returns when the connection is let go.
    pub async fn let_go(&self) {
        self.gone.cancelled().await;
    }

    /// A request has come.
    pub fn serve(self: &Arc<Place>) -> Serving {
        self.shift(|members, turn| {
            let next = members.next();
            let gone = members.idle.remove(turn)?;
            members.busy.insert(next, gone);
            Some(next)
        });
        Serving(self.clone())
    }

    /// Moves to the turn that is told; one that was let go has none.
    fn shift(&self, step: impl FnOnce(&mut Members, &u64) -> Option<u64>) {
        let mut turn = self.turn.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(next) = step(&mut self.crowd.members(), &turn) {
            *turn = next;
        }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.shift(|members, turn| {
            members.idle.remove(turn);
            members.busy.remove(turn);
            None
        });
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        self.0.shift(|members, turn| {
            let next = members.next();
            let gone = members.busy.remove(turn)?;
            members.idle.insert(next, gone);
            Some(next)
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gone(places: &[Arc<Place>]) -> Vec<bool> {
        places.iter().map(|place| place.gone.is_cancelled()).collect()
    }

    #[test]
    fn of_a_full_crowd_the_one_that_has_waited_longest_is_let_go() {
        let crowd = Crowd::new(3);
        let mut places: Vec<_> = (0..3).map(|_| crowd.enter()).collect();
        drop(places[0].serve());
        let serving = places[1].serve();
        places.push(crowd.enter());
        assert_eq!(gone(&places), [false, false, true, false]);
        places.push(crowd.enter());
        assert_eq!(gone(&places), [true, false, true, false, false]);
        // Those that were let go take no room, before and after they have ended.
        drop(serving);
        places.drain(..1);
        places.push(crowd.enter());
        assert_eq!(gone(&places), [false, true, true, false, false]);
        drop(places);
        assert!(crowd.members().idle.is_empty());
    }

    #[test]
    fn where_most_are_served_it_is_the_one_that_takes_longest() {
        let crowd = Crowd::new(2);
        let places = [crowd.enter(), crowd.enter()];
        let serving: Vec<_> = places.iter().rev().map(Place::serve).collect();
        let third = crowd.enter();
        assert_eq!((gone(&places), third.gone.is_cancelled()), (vec![false, true], false));
        drop(serving);
        // The one that was let go has no turn any more.
        let members = crowd.members();
        assert_eq!((members.idle.len(), members.busy.len()), (2, 0));
    }
}
