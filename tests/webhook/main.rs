//! The webhook edge against real receivers on loopback: slow, broken and well-behaved ones, and the
//! specification's own library in the Python that `STATIONKEEP_TEST_PYTHON` names (PyPI `standardwebhooks`), over HTTPS with certificates of an authority
//! made for the test (PyPI `trustme`).

mod pumping;
mod receiver;
mod reference;
mod secure;
mod sending;
