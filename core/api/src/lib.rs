//! What a plugin sees: values, ports, parameters and the node traits
