/* Makes the n-th file operation below one folder fail, or the process die in it.
   Loaded by LD_PRELOAD; armed by fault_arm(n, mode, root): mode 1 = error, 2 = crash before the call, 3 = count only. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static atomic_int seen; static int at = -1, mode; static int code = EIO; static char root[4096];
static char ours[4096]; /* descriptors opened below the folder */

void fault_arm(int n, int how, int error, const char *below) {
    strncpy(root, below, sizeof root - 1); at = n; mode = how; code = error; seen = 0; memset(ours, 0, sizeof ours);
}
int fault_seen(void) { return seen; }

static int below(int fd, const char *path) {
    if (at < 0 && mode != 3) return 0;
    if (path && path[0] == '/') return !strncmp(path, root, strlen(root));
    return fd >= 0 && fd < 4096 && ours[fd];
}
static int fails(void) {
    if (mode == 0) return 0;
    if (seen++ != at || mode == 3) return 0;
    if (mode == 2) _exit(137);
    errno = code; return 1;
}
#define NEXT(name) static __typeof__(name) *next; if (!next) next = dlsym(RTLD_NEXT, #name)

static int opened(int fd, int mine) { if (fd >= 0 && fd < 4096) ours[fd] = mine; return fd; }
#define OPEN(name) int name(const char *path, int flags, ...) { va_list v; va_start(v, flags); mode_t m = va_arg(v, int); va_end(v); \
    NEXT(name); int mine = below(-1, path); if (mine && fails()) return -1; return opened(next(path, flags, m), mine); }
OPEN(open) OPEN(open64)
#define OPENAT(name) int name(int d, const char *path, int flags, ...) { va_list v; va_start(v, flags); mode_t m = va_arg(v, int); va_end(v); \
    NEXT(name); int mine = below(d, path); if (mine && fails()) return -1; return opened(next(d, path, flags, m), mine); }
OPENAT(openat) OPENAT(openat64)
int close(int fd) { NEXT(close); if (fd >= 0 && fd < 4096) ours[fd] = 0; return next(fd); }
ssize_t write(int fd, const void *b, size_t n) { NEXT(write); if (below(fd, 0) && fails()) return -1; return next(fd, b, n); }
int fsync(int fd) { NEXT(fsync); if (below(fd, 0) && fails()) return -1; return next(fd); }
int rename(const char *a, const char *b) { NEXT(rename); if (below(-1, b) && fails()) return -1; return next(a, b); }
int renameat2(int c, const char *a, int d, const char *b, unsigned f) { NEXT(renameat2); if (below(-1, b) && fails()) return -1; return next(c, a, d, b, f); }
int unlink(const char *p) { NEXT(unlink); if (below(-1, p) && fails()) return -1; return next(p); }
int unlinkat(int d, const char *p, int f) { NEXT(unlinkat); if (below(d, p) && fails()) return -1; return next(d, p, f); }
int mkdir(const char *p, mode_t m) { NEXT(mkdir); if (below(-1, p) && fails()) return -1; return next(p, m); }
int rmdir(const char *p) { NEXT(rmdir); if (below(-1, p) && fails()) return -1; return next(p); }
