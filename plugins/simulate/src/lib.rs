//! Makes simulated captures with known truth
