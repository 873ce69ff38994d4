//! Measures captures and pictures: camera, resolution, noise, sampling, and what limited them.

mod capture;
mod limit;
mod noise;
mod optics;
mod resolution;
mod sampling;

stillair_api::plugin!(resolution::Resolution, noise::Noise, sampling::Sampling, capture::Capture, limit::Limit);

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
