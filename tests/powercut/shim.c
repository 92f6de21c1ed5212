/* Preloaded into the agent: notes, in order, all that a process does to the files below one folder.
 *
 * POWERCUT_FOLDER is that folder (absolute, without links), POWERCUT_LOG the file that the notes are appended to, which
 * must lie elsewhere. A note is six 64-bit words (op, inode, offset, argument, length of a, length of b), then a, then b;
 * tests/powercut/disk.py reads them. A note is written after the call has succeeded, under one lock with the call, so
 * that the order of the notes is the order in which the kernel saw the calls. `powercut_mark` lets the process itself
 * note a moment.
 *
 * Seen are open (with what creates and cuts short), write, pwrite, writev, pwritev, pwritev2,
 * ftruncate, truncate, fallocate,
 * rename, unlink, mkdir (but not link), fsync, fdatasync, sync_file_range, shared writable mmap, dup, close. What goes past
 * libc (io_uring, raw system calls) or through stdio is not seen; SQLite and Python's os module use neither.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

enum { CREATE = 1, WRITE, TRUNCATE, ALLOCATE, RENAME, UNLINK, SYNC, SYNC_FOLDER, MARK, MAPPED, RANGE, SEEN, MKDIR };

#define MOST_FDS 4096
struct followed {
    uint64_t inode;
    int is_folder;
    char *path;
};
static struct followed fds[MOST_FDS];
static pthread_mutex_t lock = PTHREAD_RECURSIVE_MUTEX_INITIALIZER_NP;
static const char *folder;
static size_t folder_length;
static int log_fd = -1;

static void begin(void) {
    if (folder != NULL) return;
    const char *where = getenv("POWERCUT_FOLDER"), *log = getenv("POWERCUT_LOG");
    folder = where == NULL ? "" : where;
    folder_length = strlen(folder);
    if (folder_length && log != NULL) {
        long fd = syscall(SYS_openat, AT_FDCWD, log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
        log_fd = (int)syscall(SYS_fcntl, fd, F_DUPFD_CLOEXEC, 1000); /* out of the way of those who count on low ones */
        syscall(SYS_close, fd);
    }
}

static int is_below(const char *path) {
    return log_fd >= 0 && strncmp(path, folder, folder_length) == 0 &&
           (path[folder_length] == '/' || path[folder_length] == 0);
}

static void put(const void *data, size_t length) {
    const char *at = data;
    while (length) {
        long done = syscall(SYS_write, log_fd, at, length);
        if (done < 0 && errno == EINTR) continue;
        if (done <= 0) {
            static const char text[] = "powercut: the log cannot be written; this run is worth nothing\n";
            syscall(SYS_write, 2, text, sizeof text - 1);
            _exit(99);
        }
        at += done;
        length -= (size_t)done;
    }
}

static void note(uint64_t op, uint64_t inode, int64_t offset, int64_t argument, const void *a, size_t a_length,
                 const void *b, size_t b_length) {
    int kept = errno;
    uint64_t head[6] = {op, inode, (uint64_t)offset, (uint64_t)argument, a_length, b_length};
    put(head, sizeof head);
    put(a, a_length);
    put(b, b_length);
    errno = kept;
}

static struct followed *of(int fd) {
    return fd >= 0 && fd < MOST_FDS && fds[fd].path != NULL ? &fds[fd] : NULL;
}

#define REAL(type, name, ...)                                        \
    static type (*real)(__VA_ARGS__);                                \
    if (real == NULL) *(void **)&real = dlsym(RTLD_NEXT, name);      \
    begin();

void powercut_mark(const char *data, size_t length) {
    pthread_mutex_lock(&lock);
    begin();
    if (log_fd >= 0) note(MARK, 0, 0, 0, data, length, NULL, 0);
    pthread_mutex_unlock(&lock);
}

/* The absolute path by its folder's real one, so that a link or a relative path is no way around. */
static int place_of(const char *path, char *out) {
    char copy[PATH_MAX], parent[PATH_MAX];
    if (strlen(path) >= sizeof copy) return 0;
    strcpy(copy, path);
    char *slash = strrchr(copy, '/');
    const char *name = slash == NULL ? path : path + (slash - copy) + 1;
    if (slash != NULL) *(slash == copy ? slash + 1 : slash) = 0;
    if (realpath(slash == NULL ? "." : copy, parent) == NULL) return 0;
    return snprintf(out, PATH_MAX, "%s/%s", strcmp(parent, "/") ? parent : "", name) < PATH_MAX && is_below(out);
}

static int follow(int fd, int existed, int flags) {
    char link[64], path[PATH_MAX];
    struct stat about;
    int kept = errno;
    if (fd < 0 || log_fd < 0) return fd;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length > 0 && fd < MOST_FDS) {
        path[length] = 0;
        if (is_below(path) && fstat(fd, &about) == 0 && (S_ISREG(about.st_mode) || S_ISDIR(about.st_mode))) {
            free(fds[fd].path);
            fds[fd] = (struct followed){about.st_ino, S_ISDIR(about.st_mode), strdup(path)};
            if (!fds[fd].is_folder) {
                note(existed ? SEEN : CREATE, about.st_ino, 0, about.st_size, path, (size_t)length, NULL, 0);
                if (existed && (flags & O_TRUNC)) note(TRUNCATE, about.st_ino, 0, 0, NULL, 0, NULL, 0);
            }
        }
    }
    errno = kept;
    return fd;
}

static int open_any(int where, const char *path, int flags, mode_t mode) {
    static int (*real)(int, const char *, int, ...);
    if (real == NULL) *(void **)&real = dlsym(RTLD_NEXT, "openat64");
    pthread_mutex_lock(&lock);
    begin();
    int kept = errno;
    int existed = !(flags & O_CREAT) || faccessat(where, path, F_OK, AT_SYMLINK_NOFOLLOW) == 0;
    errno = kept;
    int fd = follow(real(where, path, flags, mode), existed, flags);
    pthread_mutex_unlock(&lock);
    return fd;
}

#define MODE_OF(flags)                          \
    mode_t mode = 0;                            \
    if ((flags) & (O_CREAT | O_TMPFILE)) {      \
        va_list more;                           \
        va_start(more, flags);                  \
        mode = (mode_t)va_arg(more, int);       \
        va_end(more);                           \
    }
int open(const char *path, int flags, ...) { MODE_OF(flags) return open_any(AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE_OF(flags) return open_any(AT_FDCWD, path, flags | O_LARGEFILE, mode); }
int openat(int where, const char *path, int flags, ...) { MODE_OF(flags) return open_any(where, path, flags, mode); }
int openat64(int where, const char *path, int flags, ...) {
    MODE_OF(flags)
    return open_any(where, path, flags | O_LARGEFILE, mode);
}
int creat(const char *path, mode_t mode) { return open_any(AT_FDCWD, path, O_CREAT | O_WRONLY | O_TRUNC, mode); }
int creat64(const char *path, mode_t mode) { return creat(path, mode); }

int close(int fd) {
    REAL(int, "close", int)
    pthread_mutex_lock(&lock);
    if (fd == log_fd && fd >= 0) { /* whoever closes everything does not mean this one */
        pthread_mutex_unlock(&lock);
        errno = EBADF;
        return -1;
    }
    if (of(fd) != NULL) {
        free(fds[fd].path);
        fds[fd].path = NULL;
    }
    int result = real(fd);
    pthread_mutex_unlock(&lock);
    return result;
}

static int also(int old, int fd) {
    if (fd >= 0 && fd < MOST_FDS && fd != old) {
        free(fds[fd].path);
        fds[fd].path = NULL;
        if (of(old) != NULL) fds[fd] = (struct followed){fds[old].inode, fds[old].is_folder, strdup(fds[old].path)};
    }
    return fd;
}
int dup(int fd) {
    REAL(int, "dup", int)
    pthread_mutex_lock(&lock);
    int result = also(fd, real(fd));
    pthread_mutex_unlock(&lock);
    return result;
}
int dup2(int fd, int wanted) {
    REAL(int, "dup2", int, int)
    pthread_mutex_lock(&lock);
    int result = also(fd, real(fd, wanted));
    pthread_mutex_unlock(&lock);
    return result;
}

static void wrote(int fd, const void *data, ssize_t count, int64_t offset) {
    if (count > 0 && of(fd) != NULL) note(WRITE, fds[fd].inode, offset, 0, data, (size_t)count, NULL, 0);
}
ssize_t write(int fd, const void *data, size_t count) {
    REAL(ssize_t, "write", int, const void *, size_t)
    if (of(fd) == NULL) return real(fd, data, count);
    pthread_mutex_lock(&lock);
    ssize_t done = real(fd, data, count);
    int kept = errno;
    wrote(fd, data, done, lseek(fd, 0, SEEK_CUR) - done);
    errno = kept;
    pthread_mutex_unlock(&lock);
    return done;
}
ssize_t pwrite64(int fd, const void *data, size_t count, off64_t offset) {
    REAL(ssize_t, "pwrite64", int, const void *, size_t, off64_t)
    pthread_mutex_lock(&lock);
    ssize_t done = real(fd, data, count, offset);
    wrote(fd, data, done, offset);
    pthread_mutex_unlock(&lock);
    return done;
}
ssize_t pwrite(int fd, const void *data, size_t count, off_t offset) { return pwrite64(fd, data, count, offset); }

static void wrote_pieces(int fd, const struct iovec *pieces, int count, ssize_t done, int64_t offset) {
    for (int i = 0; i < count && done > 0; i++) {
        ssize_t part = (ssize_t)pieces[i].iov_len < done ? (ssize_t)pieces[i].iov_len : done;
        wrote(fd, pieces[i].iov_base, part, offset);
        offset += part;
        done -= part;
    }
}
ssize_t writev(int fd, const struct iovec *pieces, int count) {
    REAL(ssize_t, "writev", int, const struct iovec *, int)
    if (of(fd) == NULL) return real(fd, pieces, count);
    pthread_mutex_lock(&lock);
    ssize_t done = real(fd, pieces, count);
    int kept = errno;
    wrote_pieces(fd, pieces, count, done, lseek(fd, 0, SEEK_CUR) - done);
    errno = kept;
    pthread_mutex_unlock(&lock);
    return done;
}
ssize_t pwritev64(int fd, const struct iovec *pieces, int count, off64_t offset) {
    REAL(ssize_t, "pwritev64", int, const struct iovec *, int, off64_t)
    pthread_mutex_lock(&lock);
    ssize_t done = real(fd, pieces, count, offset);
    wrote_pieces(fd, pieces, count, done, offset);
    pthread_mutex_unlock(&lock);
    return done;
}
ssize_t pwritev(int fd, const struct iovec *pieces, int count, off_t offset) {
    return pwritev64(fd, pieces, count, offset);
}
ssize_t pwritev64v2(int fd, const struct iovec *pieces, int count, off64_t offset, int flags) {
    REAL(ssize_t, "pwritev64v2", int, const struct iovec *, int, off64_t, int)
    if (of(fd) == NULL) return real(fd, pieces, count, offset, flags);
    pthread_mutex_lock(&lock);
    ssize_t done = real(fd, pieces, count, offset, flags);
    int kept = errno;
    wrote_pieces(fd, pieces, count, done, offset == -1 ? lseek(fd, 0, SEEK_CUR) - done : offset);
    errno = kept;
    pthread_mutex_unlock(&lock);
    return done;
}
ssize_t pwritev2(int fd, const struct iovec *pieces, int count, off_t offset, int flags) {
    return pwritev64v2(fd, pieces, count, offset, flags);
}

int ftruncate64(int fd, off64_t length) {
    REAL(int, "ftruncate64", int, off64_t)
    pthread_mutex_lock(&lock);
    int result = real(fd, length);
    if (result == 0 && of(fd) != NULL) note(TRUNCATE, fds[fd].inode, length, 0, NULL, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    return result;
}
int ftruncate(int fd, off_t length) { return ftruncate64(fd, length); }
int truncate64(const char *path, off64_t length) {
    int fd = open_any(AT_FDCWD, path, O_WRONLY, 0);
    if (fd < 0) return -1;
    int result = ftruncate64(fd, length), kept = errno;
    close(fd);
    errno = kept;
    return result;
}
int truncate(const char *path, off_t length) { return truncate64(path, length); }

int fallocate64(int fd, int mode, off64_t offset, off64_t length) {
    REAL(int, "fallocate64", int, int, off64_t, off64_t)
    pthread_mutex_lock(&lock);
    int result = real(fd, mode, offset, length);
    if (result == 0 && of(fd) != NULL) {
        int64_t both[2] = {length, mode};
        note(ALLOCATE, fds[fd].inode, offset, 0, both, sizeof both, NULL, 0);
    }
    pthread_mutex_unlock(&lock);
    return result;
}
int fallocate(int fd, int mode, off_t offset, off_t length) { return fallocate64(fd, mode, offset, length); }
int posix_fallocate64(int fd, off64_t offset, off64_t length) {
    int kept = errno, result = fallocate64(fd, 0, offset, length) == 0 ? 0 : errno;
    errno = kept;
    return result;
}
int posix_fallocate(int fd, off_t offset, off_t length) { return posix_fallocate64(fd, offset, length); }

int rename(const char *from, const char *to) {
    REAL(int, "rename", const char *, const char *)
    char old[PATH_MAX], new[PATH_MAX];
    pthread_mutex_lock(&lock);
    int mine = place_of(from, old) | (place_of(to, new) << 1);
    int result = real(from, to);
    if (result == 0 && mine == 3) note(RENAME, 0, 0, 0, old, strlen(old), new, strlen(new));
    else if (result == 0 && mine == 1) note(UNLINK, 0, 0, 0, old, strlen(old), NULL, 0);
    pthread_mutex_unlock(&lock);
    return result;
}
int unlinkat(int where, const char *path, int flags) {
    REAL(int, "unlinkat", int, const char *, int)
    char old[PATH_MAX];
    pthread_mutex_lock(&lock);
    int mine = where == AT_FDCWD && place_of(path, old);
    int result = real(where, path, flags);
    if (result == 0 && mine) note(UNLINK, 0, 0, 0, old, strlen(old), NULL, 0);
    pthread_mutex_unlock(&lock);
    return result;
}
int unlink(const char *path) { return unlinkat(AT_FDCWD, path, 0); }
int remove(const char *path) { return unlinkat(AT_FDCWD, path, 0); }
int mkdir(const char *path, mode_t mode) {
    REAL(int, "mkdir", const char *, mode_t)
    char new[PATH_MAX];
    pthread_mutex_lock(&lock);
    int mine = place_of(path, new);
    int result = real(path, mode);
    if (result == 0 && mine) note(MKDIR, 0, 0, 0, new, strlen(new), NULL, 0);
    pthread_mutex_unlock(&lock);
    return result;
}

static void synced(int fd) {
    if (of(fd) == NULL) return;
    if (fds[fd].is_folder) note(SYNC_FOLDER, fds[fd].inode, 0, 0, fds[fd].path, strlen(fds[fd].path), NULL, 0);
    else note(SYNC, fds[fd].inode, 0, 0, NULL, 0, NULL, 0);
}
int fsync(int fd) {
    REAL(int, "fsync", int)
    pthread_mutex_lock(&lock);
    int result = real(fd);
    if (result == 0) synced(fd);
    pthread_mutex_unlock(&lock);
    return result;
}
int fdatasync(int fd) {
    REAL(int, "fdatasync", int)
    pthread_mutex_lock(&lock);
    int result = real(fd);
    if (result == 0) synced(fd);
    pthread_mutex_unlock(&lock);
    return result;
}
int sync_file_range(int fd, off64_t offset, off64_t length, unsigned flags) {
    REAL(int, "sync_file_range", int, off64_t, off64_t, unsigned)
    pthread_mutex_lock(&lock);
    int result = real(fd, offset, length, flags);
    if (result == 0 && of(fd) != NULL) note(RANGE, fds[fd].inode, offset, length, NULL, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    return result;
}

void *mmap64(void *at, size_t length, int protection, int flags, int fd, off64_t offset) {
    REAL(void *, "mmap64", void *, size_t, int, int, int, off64_t)
    void *result = real(at, length, protection, flags, fd, offset);
    if (result != MAP_FAILED && (flags & MAP_SHARED) && (protection & PROT_WRITE) && of(fd) != NULL) {
        pthread_mutex_lock(&lock);
        note(MAPPED, fds[fd].inode, offset, (int64_t)length, NULL, 0, NULL, 0);
        pthread_mutex_unlock(&lock);
    }
    return result;
}
void *mmap(void *at, size_t length, int protection, int flags, int fd, off_t offset) {
    return mmap64(at, length, protection, flags, fd, offset);
}
