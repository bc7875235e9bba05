//! SQLite: append events, keep the state tables, answer queries, back up.
