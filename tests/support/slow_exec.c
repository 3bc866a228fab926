/* A card that takes its time to read a program: LD_PRELOAD this, and every start of one takes three seconds. */
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

extern char **environ;

int execve(const char *path, char *const words[], char *const environment[])
{
    struct timespec three = {3, 0};
    nanosleep(&three, NULL);
    return (int)syscall(SYS_execve, path, words, environment);
}

int execv(const char *path, char *const words[])
{
    return execve(path, words, environ);
}
