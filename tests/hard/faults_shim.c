/* Makes one system call fail, for faults.py: loaded before the C library (LD_PRELOAD), armed from
 * Python. Only calls about files below a folder count, and none about the standard streams. */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/sendfile.h>
#include <sys/types.h>
#include <unistd.h>

static char place[4096];
static long at, count;
static int number, lasting, cut_short;
static int armed;

void faults_arm(const char *folder, long which, int error, int is_lasting, int is_short) {
    strncpy(place, folder, sizeof place - 1);
    at = which, number = error, lasting = is_lasting, cut_short = is_short;
    count = 0, armed = 1;
}

long faults_count(void) { return count; }

static int by_file(int file) {
    char link[32], target[4096];
    if (file <= 2) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    long size = syscall(SYS_readlinkat, AT_FDCWD, link, target, sizeof target - 1);
    return size > 0 && (target[size] = 0, strncmp(target, place, strlen(place)) == 0);
}

static int by_path(const char *path, int folder) {
    static const char pins[] = "/proc/self/fd/";
    if (!path) return 0;
    if (strncmp(path, pins, sizeof pins - 1) == 0) return by_file(atoi(path + sizeof pins - 1));
    return path[0] == '/' ? strncmp(path, place, strlen(place)) == 0 : by_file(folder);
}

/* Whether this call is the one, or one of those behind it. */
static int is_due(int concerns) {
    if (!concerns) return 0;
    long now = __atomic_add_fetch(&count, 1, __ATOMIC_SEQ_CST);
    return at && (lasting ? now >= at : now == at);
}

#define REAL(name) static __typeof__(&name) real; if (!real) real = dlsym(RTLD_NEXT, #name)
#define DUE(concerns) (armed && is_due(concerns))
#define FAIL(value) do { errno = number; return value; } while (0)

/* A call that does what it is asked for, or fails. */
#define WHOLE(type, name, parameters, arguments, concerns, failed)                \
    type name parameters {                                                        \
        REAL(name);                                                               \
        if (DUE(concerns) && !cut_short) FAIL(failed);                            \
        return real arguments;                                                    \
    }

/* A call that may do less than it is asked for (POSIX read, write). */
#define PARTIAL(name, parameters, arguments, size)                                \
    ssize_t name parameters {                                                     \
        REAL(name);                                                               \
        if (DUE(by_file(file))) {                                            \
            if (!cut_short) FAIL(-1);                                             \
            if (size > 1) size /= 2;                                              \
        }                                                                         \
        return real arguments;                                                    \
    }

#define OPEN(name, first, path_at, ...)                                           \
    int name(first const char *path, int flags, ...) {                            \
        REAL(name);                                                               \
        va_list more;                                                             \
        va_start(more, flags);                                                    \
        mode_t mode = flags & (O_CREAT | __O_TMPFILE) ? va_arg(more, mode_t) : 0; \
        va_end(more);                                                             \
        if (DUE(by_path(path, path_at)) && !cut_short) FAIL(-1);                  \
        return real(__VA_ARGS__ path, flags, mode);                               \
    }
#define COMMA ,
OPEN(open64, , AT_FDCWD, )
OPEN(openat64, int folder COMMA, folder, folder COMMA)

WHOLE(int, stat64, (const char *path, struct stat64 *to), (path, to), by_path(path, -1), -1)
WHOLE(int, lstat64, (const char *path, struct stat64 *to), (path, to), by_path(path, -1), -1)
WHOLE(int, fstat64, (int file, struct stat64 *to), (file, to), by_file(file), -1)
WHOLE(int, fstatat64, (int folder, const char *path, struct stat64 *to, int flags),
      (folder, path, to, flags), by_path(path, folder), -1)
WHOLE(DIR *, opendir, (const char *path), (path), by_path(path, -1), NULL)
WHOLE(int, mkdir, (const char *path, mode_t mode), (path, mode), by_path(path, -1), -1)
WHOLE(int, mkdirat, (int folder, const char *path, mode_t mode), (folder, path, mode),
      by_path(path, folder), -1)
WHOLE(int, link, (const char *from, const char *to), (from, to), by_path(to, -1), -1)
WHOLE(int, linkat, (int one, const char *from, int other, const char *to, int flags),
      (one, from, other, to, flags), by_path(to, other), -1)
WHOLE(int, rename, (const char *from, const char *to), (from, to), by_path(to, -1), -1)
WHOLE(int, unlink, (const char *path), (path), by_path(path, -1), -1)
WHOLE(int, rmdir, (const char *path), (path), by_path(path, -1), -1)
WHOLE(int, utimensat, (int folder, const char *path, const struct timespec times[2], int flags),
      (folder, path, times, flags), by_path(path, folder), -1)
WHOLE(int, chmod, (const char *path, mode_t mode), (path, mode), by_path(path, -1), -1)
WHOLE(int, fchmod, (int file, mode_t mode), (file, mode), by_file(file), -1)
WHOLE(int, fsync, (int file), (file), by_file(file), -1)
WHOLE(int, ftruncate64, (int file, off64_t size), (file, size), by_file(file), -1)
WHOLE(ssize_t, readlink, (const char *path, char *to, size_t size), (path, to, size),
      by_path(path, -1), -1)
PARTIAL(read, (int file, void *to, size_t size), (file, to, size), size)
PARTIAL(pread64, (int file, void *to, size_t size, off64_t from), (file, to, size, from), size)
PARTIAL(write, (int file, const void *from, size_t size), (file, from, size), size)
PARTIAL(copy_file_range, (int source, off64_t *from, int file, off64_t *to, size_t size,
        unsigned flags), (source, from, file, to, size, flags), size)
PARTIAL(sendfile64, (int file, int source, off64_t *from, size_t size), (file, source, from, size),
        size)
WHOLE(ssize_t, flistxattr, (int file, char *to, size_t size), (file, to, size), by_file(file), -1)
