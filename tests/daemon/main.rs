//! The daemon as a whole: the real program as a child process beside a real receiver, on files as people and programs
//! write them. It asserts what is heard and what is on record, never how fast; every wait is bounded.

mod fleet;
mod postgres;
mod probe;
mod process;
mod receiver;
mod rest;
mod told;
mod witness;

mod accounted;
mod again;
mod answer;
mod against;
mod away;
mod aside;
mod bodies;
mod brake;
mod card;
mod configuration;
mod deliveries;
mod described;
mod drops;
mod explain;
mod files;
mod git;
mod health;
mod hostile;
mod imports;
mod key;
mod killed;
mod main_job;
mod moved;
mod refused;
mod sample;
mod secrets;
mod sheets;
mod supervised;
mod take;
mod together;
mod visits;
mod whole_card;
mod worklist;
