//! The page: from a phone's clip to a lab sheet without a command line.
//!
//! A small server that only this machine reaches (unless a class is opened, see `class`), and one HTML page that fills
//! itself from top to bottom. It measures nothing itself: everything goes through the functions that the command line
//! calls.
//!
//! # What is kept
//! ```text
//! Room                     one running server: mode, limits, sessions, what is common to all, the queue
//!  └─ Group                a private folder (0700); in alone mode there is just one
//!      └─ Recording        one uploaded clip under a random name, and
//!           ├─ Step …      the undo history: each step a whole Setup (scale, ball, rate …) and Mending (sightings touched)
//!           ├─ run-1 …     what the child process made of the clip under one Setup: measurement, strobe cuttings, frames
//!           └─ Stage       waiting (place in the queue), working (how far), done, or failed (what, and what to do)
//! ```
//! Each group's and recording's state is a JSON file that is replaced whole at every change, before the answer is sent. Reload
//! or restart and nothing is lost: what was waiting or running is queued again. A measurement shown on the page is the run's
//! measurement with the step's mending applied (`measure::mend`) and set against the forecast
//! (`measure::set_against`): it follows from the files, so that it needn't be stored.
//!
//! # Who may do what
//! A session is a random secret in a cookie (HttpOnly, SameSite=Strict). `Who` says what it opens: one group, or, for the
//! teacher of a class, all. In alone mode the address printed in the terminal carries the secret once. Guards
//! (`guard`): the Host must be one that this server goes by, a request that changes something must come from its own Origin,
//! every answer carries a strict content policy. No path or file name of a client is ever used: ids are random, downloads go by a
//! closed list of names. An upload is limited in size, number, time and slowness. A clip is opened only in a child process with
//! limits on memory, processor time, file size and wall time (`child`).
//!
//! # The queue
//! Round robin over the groups, so that nobody starves behind one who sends twenty clips; as many at a time as there are cores;
//! what somebody waits for (a still, a measurement) goes before what is only made ready (frames to look at). See `queue`.
//!
//! # How the class plugs in
//! `class` makes a `Room` of `Mode::Class`, lets groups in with `Room::admit`, and builds its own `axum::Router` over the
//! same `Arc<Room>`; `router` gives the student's routes, and `guarded` puts the guards around both:
//! ```text
//! let app = guarded(room.clone(), serve::router(room.clone()).merge(class::router(room.clone(), …)));
//! serve::http::run(listener, tls, app, limits, stop).await
//! ```
//! The class's page shows `Room::groups` (names, recordings, answers), follows `Room::changes`, and sets what is common to
//! all (rig and forecast) with `Room::set_common`. A handler of the class takes a `Session` and asks whether it is the
//! `Who::Teacher`'s. The teacher opens a group's sheet at `/group/{id}`, which is the student's page.
//!
//! # The interface behind the page (JSON; ids are random; errors are `{"message", "hint"}`)
//! ```text
//! GET    /enter?key=…                      the printed address: sets the cookie, goes on to /
//! GET    /                                 the page          GET /static/{name}
//! GET    /api/sheet                        the group: its recordings in short, and what is common to all
//! POST   /api/clips?name=…                 a clip as the body → {"id"}
//! GET    /api/clips/{id}?after=N           the whole sheet of a recording; waits until its revision is past N
//! POST   /api/clips/{id}/setup             {"step", "setup"}: another setup → measured again (or the run is still there)
//! POST   /api/clips/{id}/mend              {"step", "frame", "change": "drop" | "restore" | {"place": [x, y]}}
//! POST   /api/clips/{id}/undo | redo | cancel | again
//! DELETE /api/clips/{id}
//! GET    /api/clips/{id}/still | frame/{n} | strobe/{flight} | graph/{name} | file/{name}
//! ```
//! `step` is the step the page was showing: when another tab has gone on meanwhile, the answer is 409 and the page says so.
