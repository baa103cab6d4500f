//! How does a page on this machine get at a session, and nobody else?
//!
//! A small HTTP server on 127.0.0.1, a port that the system chooses, and a secret in the link. [`guard`] says which
//! requests are answered, [`lock`] that one program at a time decides, [`review`] and [`follow`] what is served.

pub mod follow;
pub mod guard;
pub mod lock;
pub mod photo;
pub mod review;
mod server;
mod state;

pub use server::{Link, Stop};
