//! The use-cases: one function for each thing a person does. The one door for every face.
//!
//! A face (command line, web, window) hands an [`action::Action`] to the [`door::Door`] and shows the answer.
//! Each use-case reads what was typed, asks the ledger's rules, and writes one action through the store.

pub mod action;
pub mod answer;
mod books;
mod catalogue;
mod cautions;
mod conflicts;
mod count;
mod cut;
mod datum;
mod demo;
pub mod door;
mod drawing;
pub mod error;
mod exchange;
mod find;
mod given;
mod history;
mod hold;
pub mod host;
mod hub;
mod label;
mod layout;
mod leftovers;
mod lot;
mod material;
pub mod network;
mod now;
mod on_order;
mod order;
mod people;
mod piece;
mod place;
mod plan;
mod pull;
mod quote;
mod rack;
mod receive;
mod remains;
pub mod replica;
mod report;
pub mod roles;
pub mod say;
mod scan;
mod settle;
mod setup;
mod shelf;
mod shop;
pub mod spool;
mod stock;
mod ticket;
pub mod typescript;
mod undo;
mod view;
mod worth;

pub use sheetloft_shapes::limits;
