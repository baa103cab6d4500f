//! How does a page on this machine get at a session, and nobody else?
//!
//! A small HTTP server on 127.0.0.1, a port that the system chooses, and a secret in the link. [`guard`] says which
//! requests are answered, [`review`] and [`follow`] what is served; [`crate::session::lock`] lets one program at a time decide.

pub mod follow;
pub mod guard;
pub mod photo;
pub mod review;
mod server;
mod state;

pub use server::{Link, Stop};
