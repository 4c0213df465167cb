//! From spectra to pitches, blind to what is expected.

pub mod combination;
mod equations;
pub mod estimate;
pub mod fit;
pub mod line;
pub mod presence;
pub mod settled;
pub mod shadow;
pub mod stiffness;
pub mod struck;
pub mod tone;
