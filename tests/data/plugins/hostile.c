// Libraries that break the rules, one for each -D: the host must refuse each with a reason, or fail the run with one.

#include <stdlib.h>
#include <string.h>

#include "stillair.h"

#define TEXT(words) ((StillairText){.data = (const uint8_t *)(words), .length = strlen(words)})

#ifndef ID
#define ID "hostile"
#endif

static const StillairHost *host;

#ifdef CRASH_LOADING
__attribute__((constructor)) static void crash(void) { abort(); }
#endif

// Keeps the rules, but adds a byte to a file whenever it is loaded, or brings another library along.
#ifdef COUNTED
#include <stdio.h>
__attribute__((constructor)) static void count(void) {
    FILE *file = fopen(COUNTED, "a");
    if (file) fputc('.', file), fclose(file);
}
#endif
#ifdef BRINGS
#include <dlfcn.h>
__attribute__((constructor)) static void bring(void) { dlopen(BRINGS, RTLD_NOW); }
#endif

#define DESCRIPTION(method) \
    "{\"method\": \"" method "\", \"version\": 1, \"shape\": \"measure\", \"summary\": \"breaks the rules\"," \
    " \"source\": \"none\", \"columns\": [{\"name\": \"grade_x\", \"unit\": \"\", \"help\": \"\"}]," \
    " \"inputs\": [{\"name\": \"frames\", \"type\": \"frames\", \"required\": true, \"help\": \"frames\"}]," \
    " \"outputs\": [{\"name\": \"table\", \"type\": \"table\", \"required\": true, \"help\": \"table\"}]}"

static int32_t describe(const StillairMethodTable *method, StillairCall *call) {
    (void)method;
#if defined(CRASH_DESCRIBING)
    abort();
#elif defined(NO_DESCRIPTION)
    (void)call;
#elif defined(BAD_JSON)
    host->put_text(call, TEXT("{\"method\": "));
#elif defined(BAD_UTF8)
    host->put_text(call, TEXT("{\"method\": \"grade.\xff\xfe\"}"));
#elif defined(FAILS_SILENTLY)
    return STILLAIR_REQUEST;
#else
    host->put_text(call, TEXT(DESCRIPTION("grade.hostile")));
#endif
    return STILLAIR_DONE;
}

static int32_t create(const StillairMethodTable *method, StillairCall *call, void **node) {
    (void)method, (void)call;
    *node = NULL;
    return STILLAIR_DONE;
}

static void drop(void *pointer) { (void)pointer; }

static int32_t start(void *node, StillairCall *call, void **run) {
    (void)node, (void)call;
    *run = NULL;
    return STILLAIR_DONE;
}

static int32_t frame(void *run, StillairCall *call, void *worker, const StillairInputView *input, void **item) {
    (void)run, (void)worker, (void)input, (void)item;
    static double counter = 0;
    const double values[2] = {1, 2};
#if defined(CRASH_IN_RUN)
    abort();
#elif defined(TOO_MANY_VALUES)
    host->put_row(call, values, 2);
#elif defined(NULL_VALUES)
    (void)values;
    host->put_row(call, NULL, 1);
#elif defined(NOT_THE_SAME)
    (void)values;
    counter += 1;
    host->put_row(call, &counter, 1);
#else
    host->put_row(call, values, 1);
#endif
    (void)counter;
    return STILLAIR_DONE;
}

static const StillairMethodTable method = {
#ifdef SHORT_METHOD
    .size = 64,
#else
    .size = sizeof method,
#endif
    .describe = describe,
    .create = create,
    .destroy = drop,
    .start = start,
    .stop = drop,
#ifndef NULL_FUNCTION
    .frame = frame,
#endif
};

#ifdef NULL_METHOD
static const StillairMethodTable *const methods[] = {NULL};
#elif defined(TWICE)
static const StillairMethodTable *const methods[] = {&method, &method};
#else
static const StillairMethodTable *const methods[] = {&method};
#endif

const StillairPluginTable *stillair_plugin(const StillairHost *given) {
    static StillairPluginTable plugin;
    host = given;
    plugin = (StillairPluginTable){
        .size = sizeof plugin,
        .abi = STILLAIR_ABI,
        .revision = STILLAIR_REVISION,
        .id = TEXT(ID),
        .version = TEXT("1.0.0"),
        .methods = methods,
        .method_count = sizeof methods / sizeof *methods,
    };
#if defined(TWIN)
    plugin.version = TEXT("2.0.0");
#elif defined(WRONG_VERSION)
    plugin.abi = 99;
#elif defined(SHORT_TABLE)
    plugin.size = 24;
#elif defined(NULL_TABLE)
    return NULL;
#elif defined(NULL_METHODS)
    plugin.methods = NULL;
#elif defined(MANY_METHODS)
    plugin.method_count = (size_t)-1;
#elif defined(BAD_ID)
    plugin.id = TEXT("\xc3\x28");
#elif defined(LONG_ID)
    plugin.id = (StillairText){.data = NULL, .length = 5};
#endif
    return &plugin;
}
