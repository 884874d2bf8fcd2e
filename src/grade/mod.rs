//! Grade: a machine a test, and a jury that applies what one says about another.

pub mod verdict;
