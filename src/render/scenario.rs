//! stub
/// s
pub struct Machine;
/// s
pub struct Scenario;
