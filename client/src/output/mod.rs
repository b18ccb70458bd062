//! How results look: as tables for people, as JSON objects for programs.

pub mod history_json;
pub mod human;
pub mod json;
pub mod schema;
pub mod store_json;
pub mod table;
