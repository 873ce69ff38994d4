//! Turns a run folder into pictures, plots and pages
