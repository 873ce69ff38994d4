//! Chooses and weights frames

mod auto;
mod brightness;
mod choice;
mod fraction;
mod one;
mod regrade;
mod spread;
mod threshold;
mod usable;
mod verdict;
mod weighted;

stillair_api::plugin!(
    usable::Usable,
    fraction::Fraction,
    threshold::Threshold,
    weighted::Weighted,
    one::One,
    spread::Spread,
    auto::Auto,
    regrade::Regrade
);
