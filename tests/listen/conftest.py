"""One thread for torch and BLAS: short takes are computed sooner than they are handed out to threads."""

import threadpoolctl
import torch

torch.set_num_threads(1)
threadpoolctl.threadpool_limits(1)
