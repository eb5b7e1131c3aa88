//! Asking whoever keeps the fleet for a view of this moment. The daemon's session answers between its passes; so a page and
//! a pass never go by different files, records or decisions.

use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::{mpsc, oneshot};

use super::view::View;

/// How many may wait for an answer.
const MOST: usize = 256;

type Answer = oneshot::Sender<Arc<View>>;

/// For whoever asks. Copies ask the same keeper.
#[derive(Debug, Clone)]
pub struct Asking(mpsc::Sender<Answer>);

/// For whoever answers.
#[derive(Debug)]
pub struct Askers {
    incoming: mpsc::Receiver<Answer>,
    waiting: Vec<Waiting>,
}

/// Someone who waits for a view.
#[derive(Debug)]
struct Waiting {
    answer: Answer,
    /// The first view that was made since, where a report was still being dropped.
    since: Option<Timestamp>,
}

/// Nobody answers: the look failed, or there is nobody who looks.
#[derive(Debug, thiserror::Error)]
#[error("the fleet could not be looked at")]
pub struct NoView;

/// A way to ask, and a way to answer.
pub fn asking() -> (Asking, Askers) {
    let (sender, incoming) = mpsc::channel(MOST);
    (Asking(sender), Askers { incoming, waiting: Vec::new() })
}

impl Asking {
    /// A view made after this was asked.
    ///
    /// # Errors
    /// Where there is none.
    pub async fn view(&self) -> Result<Arc<View>, NoView> {
        let (sender, answer) = oneshot::channel();
        self.0.send(sender).await.map_err(|_| NoView)?;
        answer.await.map_err(|_| NoView)
    }
}

impl Askers {
    /// Returns once someone asks. Then a view is to be made, and [`Askers::answer`] gives it; where that fails,
    /// [`Askers::turn_away`]. Dropped while it waits, it forgets nobody.
    pub async fn asked(&mut self) {
        match self.incoming.recv().await {
            Some(answer) => self.waiting.push(Waiting { answer, since: None }),
            // All who could ask are gone.
            None => std::future::pending().await,
        }
        while let Ok(answer) = self.incoming.try_recv() {
            self.waiting.push(Waiting { answer, since: None });
        }
    }

    /// Gives a view to all who asked before it was begun. Where a report is still being dropped, they wait for the next one,
    /// for as long as a file must be quiet: what it says may be of the very card that is asked for.
    pub fn answer(&mut self, view: &Arc<View>, settle: Duration) {
        let settle = SignedDuration::try_from(settle).unwrap_or(SignedDuration::MAX);
        for mut waiting in std::mem::take(&mut self.waiting) {
            let since = *waiting.since.get_or_insert(view.at);
            if view.look_again.is_some() && view.at.duration_since(since).abs() < settle {
                self.waiting.push(waiting);
            } else {
                // Whoever asked may have gone away.
                let _ = waiting.answer.send(view.clone());
            }
        }
    }

    /// Leaves all who asked without a view.
    pub fn turn_away(&mut self) {
        self.waiting.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn whoever_is_turned_away_or_has_nobody_to_ask_is_told_so_at_once() {
        let (asking, mut askers) = asking();
        let asked = tokio::spawn({
            let asking = asking.clone();
            async move { asking.view().await.is_err() }
        });
        askers.asked().await;
        askers.turn_away();
        assert!(asked.await.unwrap());
        drop(askers);
        assert!(asking.view().await.is_err());
    }
}
