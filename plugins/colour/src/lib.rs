//! Colours of finished pictures, linear throughout.

mod balance;
mod dispersion;
mod levels;
mod saturation;
mod stretch;

stillair_api::plugin!(balance::Balance, dispersion::Dispersion, saturation::Saturation, stretch::Stretch);

#[cfg(test)]
mod tests {
    #[test]
    fn descriptions_keep_their_contract() {
        for method in super::plugin().methods {
            let description = method.describe();
            assert_eq!(stillair_api::contract::breaches(&description), Vec::<String>::new());
            assert!(!description.help.is_empty() && !description.source.is_empty());
        }
    }
}
