//! Who may compute inside the server, and when: drawing, writing and reading files for an answer.
//!
//! Whoever waits and goes away computes nothing: the turn is waited for before the work begins, and ends with the request.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use super::error::Refusal;
use super::id::Id;
use super::routes::blocking;

/// Answers of one group that are worked on at a time: a sheet in two tabs.
const OF_A_GROUP: usize = 2;

/// Turns of all groups.
pub struct Turns {
    all: Arc<Semaphore>,
    groups: Mutex<HashMap<Id, Arc<Semaphore>>>,
}

/// A turn; the next one's begins when it is done or dropped.
pub struct Turn(#[allow(dead_code, reason = "held, not read")] Vec<OwnedSemaphorePermit>);

impl Turns {
    pub fn new(at_a_time: usize) -> Self {
        Self { all: Arc::new(Semaphore::new(at_a_time.max(2))), groups: Mutex::default() }
    }

    /// Waits for the group's own turn, then for one among all, so that one group with forty requests takes no more than its share.
    pub async fn of(&self, group: &Id) -> Turn {
        let own = {
            let mut groups = self.groups.lock().unwrap_or_else(PoisonError::into_inner);
            // Nobody holds or waits for those that only stand here.
            groups.retain(|_, turns| Arc::strong_count(turns) > 1 || turns.available_permits() < OF_A_GROUP);
            groups.entry(group.clone()).or_insert_with(|| Arc::new(Semaphore::new(OF_A_GROUP))).clone()
        };
        // Neither is ever closed.
        let own = own.acquire_owned().await;
        let all = self.all.clone().acquire_owned().await;
        Turn(own.into_iter().chain(all).collect())
    }
}

impl Turn {
    /// Works where it holds up nobody else's waiting.
    ///
    /// # Errors
    /// Those of the work.
    pub async fn take<T: Send + 'static>(
        self,
        work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Refusal> {
        blocking(move || {
            let _turn = self;
            work()
        })
        .await
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;

    /// Forty requests of one group whose sender goes away, and one of another group.
    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn forty_at_once_take_their_share_and_what_is_left_alone_is_not_begun() {
        let turns = Arc::new(Turns::new(3));
        let (begun, now, most) =
            (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicUsize::new(0)), Arc::new(AtomicUsize::new(0)));
        let (greedy, other) = (Id::random(), Id::random());
        let requests: Vec<_> = (0..40)
            .map(|_| {
                let (turns, greedy, begun, now, most) =
                    (turns.clone(), greedy.clone(), begun.clone(), now.clone(), most.clone());
                tokio::spawn(async move {
                    let turn = turns.of(&greedy).await;
                    let work = move || {
                        begun.fetch_add(1, Ordering::SeqCst);
                        most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                        std::thread::sleep(Duration::from_millis(200));
                        now.fetch_sub(1, Ordering::SeqCst);
                        Ok(())
                    };
                    let _ = turn.take(work).await;
                })
            })
            .collect();
        tokio::time::sleep(Duration::from_millis(50)).await;
        let turn = tokio::time::timeout(Duration::from_millis(100), turns.of(&other)).await;
        assert!(turn.is_ok(), "another group needn't wait for the forty");
        requests.iter().for_each(|request| request.abort());
        tokio::time::sleep(Duration::from_millis(500)).await;
        assert!(begun.load(Ordering::SeqCst) <= 4, "{begun:?} were begun");
        assert_eq!(most.load(Ordering::SeqCst), OF_A_GROUP);
    }
}
