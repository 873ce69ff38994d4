//! Sharpens stacks without inventing detail.

mod deblur;
mod lucy;
mod report;
mod setup;
mod starlet;
#[cfg(test)]
mod synthetic;
mod unsharp;
mod wavefront;
mod wiener;

stillair_api::plugin!(
    wiener::Wiener,
    starlet::StarletGains,
    lucy::RichardsonLucy,
    unsharp::Unsharp,
    wavefront::Wavefront
);

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
