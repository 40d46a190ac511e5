/*
 * Preloaded into a process, it keeps beside a folder what a power cut would leave of it: bytes of a file as of its last
 * fsync or fdatasync, names as of the last fsync of the folder. After each sync it copies that to a folder of its own, 0, 1, 2 ...
 * The files of the folder are never renamed. CUT_FOLDER: the folder that is watched; CUT_KEPT: where what is kept and the cuts go.
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static char kept[4096], synced[4096], folder[4096];
static int cuts = 0;

static void copy(int from, const char *to_path) {
  int to = open(to_path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
  if (to < 0) abort();
  char bytes[65536];
  off_t at = 0;
  for (ssize_t count; (count = pread(from, bytes, sizeof bytes, at)) > 0; at += count) {
    if (write(to, bytes, count) != count) abort();
  }
  close(to);
}

/* Copies every file of one folder into another that is there. */
static void copy_all(const char *from, const char *to) {
  DIR *names = opendir(from);
  if (names == NULL) abort();
  for (struct dirent *entry; (entry = readdir(names)) != NULL;) {
    if (entry->d_name[0] == '.') continue;
    char from_path[8192], to_path[8192];
    snprintf(from_path, sizeof from_path, "%s/%s", from, entry->d_name);
    snprintf(to_path, sizeof to_path, "%s/%s", to, entry->d_name);
    int fd = open(from_path, O_RDONLY | O_CLOEXEC);
    if (fd < 0) abort();
    copy(fd, to_path);
    close(fd);
  }
  closedir(names);
}

static void cut(void) {
  char path[8192];
  snprintf(path, sizeof path, "%s/%d", getenv("CUT_KEPT"), cuts++);
  if (mkdir(path, 0700) != 0) abort();
  copy_all(kept, path);
}

/* Names that are gone are gone; new ones come with what was synced of them, which may be nothing. */
static void keep_names(void) {
  char path[8192], from[8192];
  DIR *names = opendir(kept);
  for (struct dirent *entry; (entry = readdir(names)) != NULL;) {
    snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
    if (entry->d_name[0] == '.' || access(path, F_OK) == 0) continue;
    snprintf(path, sizeof path, "%s/%s", kept, entry->d_name);
    unlink(path);
    snprintf(path, sizeof path, "%s/%s", synced, entry->d_name);
    unlink(path);
  }
  closedir(names);
  names = opendir(folder);
  for (struct dirent *entry; (entry = readdir(names)) != NULL;) {
    if (entry->d_name[0] == '.') continue;
    snprintf(path, sizeof path, "%s/%s", kept, entry->d_name);
    if (access(path, F_OK) == 0) continue;
    snprintf(from, sizeof from, "%s/%s", synced, entry->d_name);
    int fd = open(from, O_RDONLY | O_CREAT | O_CLOEXEC, 0600);
    copy(fd, path);
    close(fd);
  }
  closedir(names);
}

static void keep(int fd) {
  if (getenv("CUT_FOLDER") == NULL) return;
  char link[64], path[4096], to[8192];
  struct stat found;
  snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
  ssize_t length = readlink(link, path, sizeof path - 1);
  if (length <= 0 || fstat(fd, &found) != 0) return;
  path[length] = 0;
  snprintf(folder, sizeof folder, "%s", getenv("CUT_FOLDER"));
  snprintf(kept, sizeof kept, "%s/kept", getenv("CUT_KEPT"));
  snprintf(synced, sizeof synced, "%s/synced", getenv("CUT_KEPT"));
  mkdir(kept, 0700);
  mkdir(synced, 0700);
  char *name = strrchr(path, '/');
  if (S_ISDIR(found.st_mode) && strcmp(path, folder) == 0) keep_names();
  else {
    *name++ = 0;
    if (!S_ISREG(found.st_mode) || strcmp(path, folder) != 0) return;
    snprintf(to, sizeof to, "%s/%s", synced, name);
    copy(fd, to);
    snprintf(to, sizeof to, "%s/%s", kept, name);
    if (access(to, F_OK) == 0) copy(fd, to);
  }
  cut();
}

static int sync_by(const char *call, int fd) {
  int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, call);
  int code = real(fd);
  if (code == 0) keep(fd);
  return code;
}

int fsync(int fd) { return sync_by("fsync", fd); }
int fdatasync(int fd) { return sync_by("fdatasync", fd); }
