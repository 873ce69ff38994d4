// A plugin as it was built for revision 1: `stack.plain`, the mean of all frames, a reduce. It is compiled with the
// header of that revision, knows nothing of what was appended since, and must go on working.

#include <stdlib.h>
#include <string.h>

#include "stillair-revision-1.h"

#define TEXT(words) ((StillairText){.data = (const uint8_t *)(words), .length = strlen(words)})

static const StillairHost *host;

typedef struct {
    size_t width, height, planes, frames;
    float *sum;
} Run;

typedef struct {
    size_t width, height, planes;
    float samples[];
} Item;

static int32_t describe(const StillairMethodTable *method, StillairCall *call) {
    (void)method;
    host->put_text(
        call,
        TEXT("{\"method\": \"stack.plain\", \"version\": 1, \"shape\": \"reduce\","
             " \"summary\": \"the mean of all frames\", \"source\": \"definition of the mean\","
             " \"inputs\": [{\"name\": \"frames\", \"type\": \"frames\", \"required\": true, \"help\": \"frames\"}],"
             " \"outputs\": [{\"name\": \"image\", \"type\": \"image\", \"required\": true, \"help\": \"the mean\"}]}"));
    return STILLAIR_DONE;
}

static int32_t create(const StillairMethodTable *method, StillairCall *call, void **node) {
    (void)method, (void)call;
    *node = NULL;
    return STILLAIR_DONE;
}

static void destroy(void *node) { (void)node; }

static int32_t start(void *node, StillairCall *call, void **run) {
    (void)node, (void)call;
    *run = calloc(1, sizeof(Run));
    return *run ? STILLAIR_DONE : STILLAIR_RESOURCE;
}

static void stop(void *pointer) {
    Run *run = pointer;
    free(run->sum);
    free(run);
}

static int32_t frame(void *run, StillairCall *call, void *worker, const StillairInputView *input, void **item) {
    (void)run, (void)call, (void)worker;
    const StillairFrameView *view = input->frame;
    const size_t samples = view->width * view->height * view->planes;
    Item *made = malloc(sizeof(Item) + samples * sizeof(float));
    if (!made)
        return STILLAIR_RESOURCE;
    made->width = view->width, made->height = view->height, made->planes = view->planes;
    float *to = made->samples;
    for (size_t plane = 0; plane < view->planes; plane++)
        for (size_t y = 0; y < view->height; y++, to += view->width)
            memcpy(to, view->data + plane * view->plane_stride + y * view->row_stride, view->width * sizeof(float));
    *item = made;
    return STILLAIR_DONE;
}

static int32_t add(void *pointer, StillairCall *call, const size_t *indices, void *const *items, size_t count) {
    (void)call, (void)indices;
    Run *run = pointer;
    for (size_t i = 0; i < count; i++) {
        Item *item = items[i];
        const size_t samples = item->width * item->height * item->planes;
        if (!run->sum) {
            run->width = item->width, run->height = item->height, run->planes = item->planes;
            run->sum = calloc(samples, sizeof(float));
        }
        for (size_t k = 0; run->sum && k < samples; k++)
            run->sum[k] += item->samples[k];
        run->frames++;
        free(item);
    }
    return STILLAIR_DONE;
}

static int32_t finish(void *pointer, StillairCall *call, uint32_t *again) {
    (void)again;
    Run *run = pointer;
    if (!run->frames || !run->sum) {
        host->fault(call, STILLAIR_DATA, TEXT("no frame was added"), TEXT(""));
        return STILLAIR_DATA;
    }
    for (size_t k = 0; k < run->width * run->height * run->planes; k++)
        run->sum[k] /= (float)run->frames;
    const StillairImageView image = {
        .size = sizeof image,
        .width = run->width,
        .height = run->height,
        .channels = run->planes,
        .row_stride = run->width,
        .plane_stride = run->width * run->height,
        .data = run->sum,
        .px_per_capture_px = 1,
        .frames_used = run->frames,
        .frames_effective = (double)run->frames,
    };
    host->put_image(call, 0, &image);
    return STILLAIR_DONE;
}

static const StillairMethodTable plain = {
    .size = sizeof plain,
    .describe = describe,
    .create = create,
    .destroy = destroy,
    .start = start,
    .stop = stop,
    .frame = frame,
    .drop_item = free,
    .add = add,
    .finish = finish,
};

static const StillairMethodTable *const methods[] = {&plain};

const StillairPluginTable *stillair_plugin(const StillairHost *given) {
    static StillairPluginTable plugin;
    if (given->abi != STILLAIR_ABI)
        return NULL;
    host = given;
    plugin = (StillairPluginTable){
        .size = sizeof plugin,
        .abi = STILLAIR_ABI,
        .revision = STILLAIR_REVISION,
        .id = TEXT("old"),
        .version = TEXT("1.0.0"),
        .methods = methods,
        .method_count = 1,
    };
    return &plugin;
}
