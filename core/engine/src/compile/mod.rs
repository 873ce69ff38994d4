//! Recipe to plan.
