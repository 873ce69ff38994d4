//! Undoes the rotation of the globe

mod belts;
mod carry;
mod compare;
mod geometry;
mod lit;
mod merge;
mod model;
mod outline;
mod profile;
mod sense;
mod situation;
mod spheroid;
mod stand;
mod sun;
mod zonal;

stillair_api::plugin!(geometry::Geometry, sense::Sense, spheroid::Spheroid, merge::Merge);
