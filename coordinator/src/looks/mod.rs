//! How results look and what people think of them: pictures of outputs, and sign-off of variants.
//!
//! # Layout
//! - [`drawer`]: the folder of pictures, named by what they show. It may be emptied at any time: pictures are drawn anew.
//! - [`queue`]: pictures that are wished for, and programs that can draw them.
//! - [`eager`]: wishes for the outputs of items as they finish, behind everything else.
//! - [`sign_off`]: approved, rejected, void; pure. [`decisions`]: the same in the record.
//! - [`attempts`]: all attempts of a run.
//!
//! Nothing here can hold up or fail an item: a picture that cannot be drawn is only missing.

pub mod attempts;
pub mod decisions;
pub mod drawer;
pub mod eager;
pub mod queue;
pub mod sign_off;
