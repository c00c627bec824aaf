import numpy as np
from numpy.typing import NDArray

def sosfilt(
    sos: NDArray[np.float64],
    x: NDArray[np.float64],
    state: NDArray[np.float64],
    sections: int,
    channels: int,
    frames: int,
    /,
) -> None: ...
def upfirdn(
    phases: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    reach: int,
    up: int,
    down: int,
    first: int,
    samples: int,
    wanted: int,
    /,
) -> None: ...
