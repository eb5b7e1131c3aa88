//! The webhook edge against real receivers on loopback: slow, broken and well-behaved ones, and the
//! specification's own library in the Python that `STATIONKEEP_TEST_PYTHON` names (PyPI `standardwebhooks`).

mod pumping;
mod receiver;
mod reference;
mod sending;
