//! Grades the sharpness of frames

mod filtered;
mod gradient;
mod laplacian;
mod projection;
#[cfg(test)]
mod testing;
mod view;

stillair_api::plugin!(gradient::Gradient, laplacian::Laplacian, projection::Projection);
