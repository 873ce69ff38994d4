//! Compiles a recipe into a plan and runs the plan
