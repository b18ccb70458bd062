//! The live page.
