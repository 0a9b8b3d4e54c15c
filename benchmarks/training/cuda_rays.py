"""The ray tracer's inner loop on a graphics card: all shapes of a scene in one kernel (CuPy, optional)."""

from __future__ import annotations

from functools import cache

import torch
from torch import Tensor

SOURCE = r"""
#define FAR_AWAY 1e9f
__device__ float root(float a, float b, float c, float oz, float dz, int capped) {
    float q = b * b - a * c;
    if (q <= 0) return FAR_AWAY;
    q = sqrtf(q);
    if (fabsf(a) < 1e-12f) a = 1e-12f;
    float best = FAR_AWAY;
    for (int side = -1; side <= 1; side += 2) {
        float t = (-b + side * q) / a;
        if (t > 1e-4f && t < best && (!capped || fabsf(oz + t * dz) < 1.0f)) best = t;
    }
    return best;
}

__device__ float meet(const float* s, const float* o3, const float* d3) {
    float o[3], d[3];
    for (int i = 0; i < 3; i++) {
        const float* m = s + 4 * i;
        o[i] = m[0] * o3[0] + m[1] * o3[1] + m[2] * o3[2] + m[3];
        d[i] = m[0] * d3[0] + m[1] * d3[1] + m[2] * d3[2];
    }
    int kind = (int)s[12];
    float taper = s[13];
    if (kind == 0) {
        float near_ = -FAR_AWAY, far_ = FAR_AWAY;
        for (int i = 0; i < 3; i++) {
            float v = 1.0f / (fabsf(d[i]) < 1e-9f ? 1e-9f : d[i]);
            float a = (-1 - o[i]) * v, b = (1 - o[i]) * v;
            near_ = fmaxf(near_, fminf(a, b));
            far_ = fminf(far_, fmaxf(a, b));
        }
        if (near_ <= 1e-4f) near_ = far_;
        return (far_ >= near_ - 1e-6f && near_ > 1e-4f) ? near_ : FAR_AWAY;
    }
    if (kind == 1)
        return root(d[0]*d[0] + d[1]*d[1] + d[2]*d[2], o[0]*d[0] + o[1]*d[1] + o[2]*d[2],
                    o[0]*o[0] + o[1]*o[1] + o[2]*o[2] - 1, 0, 0, 0);
    float slope = (taper - 1) / 2;
    float r = 1 + slope * (o[2] + 1), dr = slope * d[2];
    float best = root(d[0]*d[0] + d[1]*d[1] - dr*dr, o[0]*d[0] + o[1]*d[1] - r*dr,
                      o[0]*o[0] + o[1]*o[1] - r*r, o[2], d[2], 1);
    float dz = fabsf(d[2]) < 1e-9f ? 1e-9f : d[2];
    for (int z = -1; z <= 1; z += 2) {
        float t = (z - o[2]) / dz, x = o[0] + t * d[0], y = o[1] + t * d[1];
        float limit = z < 0 ? 1 : taper * taper;
        if (t > 1e-4f && x * x + y * y < limit && t < best) best = t;
    }
    return best;
}

extern "C" __global__ void first_hit(const float* rays, const float* origins, int step, int n,
                                     const float* shapes, int count, float* distance, int* which) {
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= n) return;
    float best = FAR_AWAY;
    int found = -1;
    for (int k = 0; k < count; k++) {
        float t = meet(shapes + 14 * k, origins + step * i, rays + 3 * i);
        if (t < best) { best = t; found = k; }
    }
    distance[i] = best;
    which[i] = found;
}

extern "C" __global__ void blocked(const float* points, const float* target, int n,
                                   const float* shapes, int count, unsigned char* result) {
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= n) return;
    float d[3];
    for (int c = 0; c < 3; c++) d[c] = points[3 * i + c] - target[c];
    unsigned char hidden = 0;
    for (int k = 0; k < count && !hidden; k++) hidden = meet(shapes + 14 * k, target, d) < 0.999f;
    result[i] = hidden;
}
"""

THREADS = 256


@cache
def _kernels() -> tuple[object, object]:
    import cupy

    module = cupy.RawModule(code=SOURCE)
    return module.get_function("first_hit"), module.get_function("blocked")


@cache
def ready() -> bool:
    """Whether the kernels can be built here."""
    try:
        _kernels()
    except Exception as error:
        print(f"no kernels, slow path: {error}", flush=True)
        return False
    return True


def first_hit(table: Tensor, origin: Tensor, ray: Tensor) -> tuple[Tensor, Tensor]:
    """Distance (n,) and number (n,) of the nearest shape per ray; table (shapes, 14) as `tracer.table` makes it."""
    import cupy

    n = len(ray)
    distance = torch.empty(n, device=ray.device)
    which = torch.empty(n, device=ray.device, dtype=torch.int32)
    step = 0 if origin.ndim == 1 else 3
    if n:
        a = [cupy.asarray(x.contiguous()) for x in (ray, origin, table, distance, which)]
        torch.cuda.synchronize()
        _kernels()[0](((n + THREADS - 1) // THREADS,), (THREADS,), (a[0], a[1], step, n, a[2], len(table), a[3], a[4]))
        cupy.cuda.Device().synchronize()
    return distance, which.long()


def blocked(table: Tensor, points: Tensor, target: Tensor) -> Tensor:
    """Whether something stands between each point (n, 3) and the target (3,)."""
    import cupy

    n = len(points)
    result = torch.zeros(n, device=points.device, dtype=torch.uint8)
    if n:
        a = [cupy.asarray(x.contiguous()) for x in (points, target, table, result)]
        torch.cuda.synchronize()
        _kernels()[1](((n + THREADS - 1) // THREADS,), (THREADS,), (a[0], a[1], n, a[2], len(table), a[3]))
        cupy.cuda.Device().synchronize()
    return result.bool()
