//! The webhook edge against real receivers on loopback: slow, broken and well-behaved ones, and the
//! specification's own library (PyPI `standardwebhooks`, in the Python that `STATIONKEEP_TEST_PYTHON` names).

mod pumping;
mod receiver;
mod reference;
mod sending;
