//! A plugin: a list of methods, each in a file of its own.

mod laplace;

stillair_api::plugin!(laplace::Laplace);
